"""The sign-in form: an address, a password, nothing else."""

from typing import Any

from allauth.account.forms import LoginForm


class SignInForm(LoginForm):
    """Allauth's form, with labels that say it once instead of twice."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["login"].label = "E-mail"
        for field in self.fields.values():
            field.widget.attrs.pop("placeholder", None)
