"""Who may do what."""

from collections.abc import Callable
from datetime import date

import pytest
from django.contrib.auth.models import AnonymousUser
from pytest_django import DjangoAssertNumQueries

from accounts import access
from accounts.models import Membership, Shop, User
from tests.accounts.shops import open_shop

Member = Callable[[str], Membership]


@pytest.mark.parametrize(
    ("role", "rights"),
    [("owner", ["order", "manage"]), ("buyer", ["order"]), ("reader", [])],
)
def test_a_role_says_how_far_a_member_may_go(member: Member, role: str, rights: list[str]) -> None:
    membership = access.membership_for(member(role).user, "fern-and-fable")

    assert access.can_order(membership) is ("order" in rights)
    assert access.can_manage(membership) is ("manage" in rights)


def test_a_stranger_has_no_membership_and_may_do_nothing(shop: Shop) -> None:
    stranger = User.objects.create_user("stranger@elsewhere.example")

    membership = access.membership_for(stranger, shop.slug)

    assert membership is None
    assert not access.can_order(membership)
    assert not access.can_manage(membership)


def test_a_member_of_one_shop_is_a_stranger_to_another(member: Member) -> None:
    open_shop("thistle-row")

    assert access.membership_for(member("owner").user, "thistle-row") is None


def test_nobody_signed_in_acts_for_no_shop(shop: Shop) -> None:
    nobody = AnonymousUser()

    assert access.membership_for(nobody, shop.slug) is None
    assert not access.shops_of(nobody).exists()
    assert not access.is_bench(nobody)


def test_somebody_who_may_no_longer_sign_in_acts_for_no_shop(member: Member) -> None:
    user = member("owner").user
    user.is_active = False

    assert access.membership_for(user, "fern-and-fable") is None
    assert not access.shops_of(user).exists()


def test_a_closed_account_takes_no_orders(member: Member, shop: Shop) -> None:
    user = member("owner").user
    shop.closed_on = date(2026, 3, 1)
    shop.save()

    assert not access.can_order(access.membership_for(user, shop.slug))
    assert access.can_manage(access.membership_for(user, shop.slug))


def test_shops_come_by_name_and_the_first_is_the_default(member: Member) -> None:
    user = member("buyer").user
    other = open_shop("acorn-hall")
    Membership.objects.create(user=user, shop=other, role="reader")

    assert [found.slug for found in access.shops_of(user)] == ["acorn-hall", "fern-and-fable"]
    first = access.first_membership(user)
    assert first is not None
    assert first.shop == other


def test_the_bench_is_maker_and_helper_and_only_one_is_the_maker(maker: User, helper: User, member: Member) -> None:
    owner = member("owner").user

    assert [access.is_bench(user) for user in (maker, helper, owner)] == [True, True, False]
    assert [access.is_maker(user) for user in (maker, helper, owner)] == [True, False, False]


def test_a_retired_maker_is_nobody(maker: User) -> None:
    maker.is_active = False

    assert not access.is_maker(maker)
    assert not access.is_bench(maker)


def test_a_membership_comes_with_its_shop_in_one_query(
    member: Member, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    user = member("buyer").user

    # 1: the membership joined with its shop
    with django_assert_num_queries(1):
        membership = access.membership_for(user, "fern-and-fable")
        assert membership is not None
        assert membership.shop.trade_name == "Fern And Fable"
