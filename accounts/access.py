"""Who may do what. Every page and every action asks here.

A stranger to a shop is told that there is nothing (404); a member who may only look
is told so when they try to write (403).
"""

from django.contrib.auth.base_user import AbstractBaseUser
from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet

from accounts.models import Membership, Shop, StaffRole, User

Somebody = User | AnonymousUser | AbstractBaseUser
ORDERING_ROLES = frozenset({Membership.Role.OWNER, Membership.Role.BUYER})


def shops_of(user: Somebody) -> QuerySet[Shop]:
    """The shops this person acts for, by name; none for strangers and the retired."""
    return Shop.objects.filter(memberships__in=_memberships(user))


def membership_for(user: Somebody, slug: str) -> Membership | None:
    """This person's membership of the shop with this slug, with its shop loaded."""
    return _memberships(user).filter(shop__slug=slug).first()


def memberships_of(user: Somebody) -> QuerySet[Membership]:
    """This person's memberships, by the shop's name, with their shops loaded."""
    return _memberships(user)


def first_membership(user: Somebody) -> Membership | None:
    """The membership of the first of this person's shops, by name."""
    return _memberships(user).first()


def can_order(membership: Membership | None) -> bool:
    """May they place and change orders? Owners and buyers, while the account is open."""
    if membership is None or membership.shop.closed_on is not None:
        return False
    return membership.role in ORDERING_ROLES


def can_manage(membership: Membership | None) -> bool:
    """May they change the shop's addresses and say who acts for it? Owners only."""
    return membership is not None and membership.role == Membership.Role.OWNER


def is_maker(user: Somebody) -> bool:
    """Is this the maker, who confirms, invoices and takes payments?"""
    return _staff_role(user) == StaffRole.MAKER


def is_bench(user: Somebody) -> bool:
    """Does this person work at the bench: maker or helper?"""
    return _staff_role(user) in StaffRole.values


def _staff_role(user: Somebody) -> str:
    return user.staff_role if isinstance(user, User) and user.is_active else ""


def _memberships(user: Somebody) -> QuerySet[Membership]:
    if not isinstance(user, User) or not user.is_active:
        return Membership.objects.none()
    return Membership.objects.filter(user=user).select_related("shop").order_by("shop__trade_name", "shop_id")
