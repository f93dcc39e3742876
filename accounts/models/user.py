"""A person who signs in by e-mail."""

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower


class StaffRole(models.TextChoices):
    """What somebody does in the workshop itself."""

    MAKER = "maker", "Maker"
    HELPER = "helper", "Helper"


class UserManager(BaseUserManager["User"]):
    """Makes users; e-mail addresses differ by more than their case."""

    def create_user(self, email: str, password: str | None = None, *, name: str = "", staff_role: str = "") -> "User":
        """Return a new, saved user; without a password they set one by the reset link.

        Raises ``ValueError`` without an e-mail address and ``IntegrityError`` for one
        that is taken, in whatever case.
        """
        if not email:
            raise ValueError("Give the e-mail address: people sign in with it.")
        user = self.model(email=email.strip().lower(), name=name, staff_role=staff_role)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def get_by_natural_key(self, email: str | None) -> "User":
        """Return the user with this address, in whatever case it was typed."""
        return self.get(email__iexact=email)


class User(AbstractBaseUser, PermissionsMixin):
    """A person: somebody of the workshop, or of one or more shops."""

    email = models.EmailField(
        "e-mail address",
        unique=True,
        error_messages={"unique": "Somebody already signs in with this address."},
    )
    name = models.CharField(max_length=120, blank=True)
    staff_role = models.CharField(max_length=8, choices=StaffRole, blank=True, default="")
    #: False: this person may not sign in any more; what they did stays on record.
    is_active = models.BooleanField(default=True)

    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = []

    class Meta:
        ordering = ["email"]
        constraints = [
            models.UniqueConstraint(Lower("email"), name="user_email_once_in_any_case"),
            models.CheckConstraint(condition=Q(staff_role__in=["", *StaffRole.values]), name="user_staff_role_known"),
        ]

    def __str__(self) -> str:
        return self.name or self.email

    def clean(self) -> None:
        """Write the address in one case."""
        super().clean()
        self.email = self.email.strip().lower()

    def get_full_name(self) -> str:
        """Return the name to greet with; the address if none was given."""
        return str(self)

    @property
    def is_staff(self) -> bool:
        """Nobody is Django's staff: there is no Django admin over these tables."""
        return False
