"""Tables of people and shops."""

from accounts.models.shop import Address, Membership, Shop
from accounts.models.user import StaffRole, User

__all__ = ["Address", "Membership", "Shop", "StaffRole", "User"]
