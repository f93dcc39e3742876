"""May a shop be billed without sales tax, as one who buys to resell?

A wholesale sale is taxable unless the seller holds a certificate when billing; for
example California wants it before billing, within the billing cycle, or by delivery,
and it then lasts until it is revoked (18 CCR 1668). What counts elsewhere, and how to
check a permit, is for the state's authority and the maker's adviser to say.
"""

from dataclasses import dataclass
from datetime import date

from accounts.models import Shop


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Whether a certificate holds, and why; true exactly when it holds."""

    holds: bool
    reason: str

    def __bool__(self) -> bool:
        return self.holds


def certificate_holds(shop: Shop, on: date) -> Standing:
    """Does the shop's resale certificate hold on the day of billing?"""
    lacking = _lacking(shop, on)
    if lacking:
        return Standing(holds=False, reason=f"{lacking} Bill with tax until then.")
    number, state = shop.resale_certificate_number, shop.resale_certificate_state
    return Standing(holds=True, reason=f"Resale certificate {number} ({state}) holds.")


def _lacking(shop: Shop, on: date) -> str:
    """Return what keeps the certificate from holding and what to do; nothing if it holds."""
    signed, expires = shop.resale_certificate_signed_on, shop.resale_certificate_expires_on
    if not shop.resale_certificate_number:
        return "No resale certificate is on file: ask the shop for a signed one."
    if not shop.resale_certificate_state:
        return "The resale certificate names no state: ask the shop which one it is for."
    if signed is None:
        return "The resale certificate is not signed: ask the shop to sign and date it."
    if signed > on:
        return f"The resale certificate is signed only on {signed.isoformat()}."
    if expires is not None and expires < on:
        return f"The resale certificate expired on {expires.isoformat()}: ask for a new one."
    return ""
