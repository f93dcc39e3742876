"""How allauth behaves here."""

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class ClosedSignUpAdapter(DefaultAccountAdapter):
    """The workshop opens accounts; nobody signs up by themselves."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Never."""
        return False
