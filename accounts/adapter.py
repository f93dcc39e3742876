"""How allauth behaves here."""

from typing import ClassVar

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class ClosedSignUpAdapter(DefaultAccountAdapter):
    """The workshop opens accounts; nobody signs up by themselves."""

    error_messages: ClassVar = DefaultAccountAdapter.error_messages | {
        "email_password_mismatch": "This e-mail address and password don't belong together. Type both again.",
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Never."""
        return False
