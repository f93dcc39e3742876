"""Who gets into a page, and how a refused right is answered.

Nobody is sent to the sign-in page; a stranger is told that there is nothing (404);
somebody known who lacks the right is told so (403). The rights themselves stand in
``accounts.access``.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponseBase

from accounts import access
from accounts.models import Membership, User
from wholesale.core.values import NotAllowed, NotFound

View = Callable[..., HttpResponseBase]


def member_of(request: HttpRequest, slug: str) -> Membership:
    """Return the reader's membership of the shop; ``Http404`` for everybody else."""
    membership = access.membership_for(request.user, slug)
    if membership is None:
        raise Http404
    return membership


def buyer_at(request: HttpRequest, slug: str) -> Membership:
    """Return the membership of somebody who may order; ``PermissionDenied`` for those who may only look."""
    membership = member_of(request, slug)
    if access.can_order(membership):
        return membership
    if membership.shop.closed_on:
        raise PermissionDenied(
            "This shop's account is closed, so nothing can be ordered. Ask the workshop to open it again."
        )
    raise PermissionDenied("You may look, but not order. Ask the owner of the shop's account to let you order.")


def signed_in(request: HttpRequest) -> User:
    """Return who is signed in; for views behind ``login_required``."""
    if not isinstance(request.user, User):
        raise PermissionDenied("Sign in first.")
    return request.user


def bench_only(view: View) -> View:
    """Let in the maker and helpers; there is no such page for anybody else."""

    @login_required
    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not access.is_bench(request.user):
            raise Http404
        with answered():
            return view(request, *args, **kwargs)

    return guarded


def maker_only(view: View) -> View:
    """Let in the maker; a helper is told that it is not theirs to do (403)."""

    @bench_only
    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not access.is_maker(request.user):
            raise PermissionDenied("Only the maker may do this. Ask the maker; nothing was changed.")
        return view(request, *args, **kwargs)

    return guarded


@contextmanager
def answered() -> Iterator[None]:
    """Answer the trade's ``NotAllowed`` with 403 and ``NotFound`` with 404."""
    try:
        yield
    except NotAllowed as refused:
        raise PermissionDenied(refused.message) from refused
    except NotFound as refused:
        raise Http404(refused.message) from refused
