"""A fixed cast: who acts for which shop, and who for none."""

from collections.abc import Callable

import pytest

from accounts.models import Membership, Shop, StaffRole, User
from tests.accounts.shops import open_shop


@pytest.fixture
def shop(db: None) -> Shop:
    """A shop that buys."""
    return open_shop()


@pytest.fixture
def member(shop: Shop) -> Callable[[str], Membership]:
    """Make somebody with the given role at the shop."""

    def make(role: str) -> Membership:
        user = User.objects.create_user(f"{role}@fern.example", "wick-and-wax-12")
        return Membership.objects.create(user=user, shop=shop, role=role)

    return make


@pytest.fixture
def maker(db: None) -> User:
    """The maker."""
    return User.objects.create_user("maker@bench.example", staff_role=StaffRole.MAKER)


@pytest.fixture
def helper(db: None) -> User:
    """The helper at the bench."""
    return User.objects.create_user("helper@bench.example", staff_role=StaffRole.HELPER)
