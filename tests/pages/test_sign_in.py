"""Signing in: an address, a password, one button; nobody signs up by themselves."""

import re
from types import SimpleNamespace

import pytest
from allauth.mfa.totp.internal import auth as totp
from allauth.mfa.utils import is_mfa_enabled
from django.contrib.auth import get_user
from django.core import mail
from django.test import Client

from accounts.models import User
from wholesale.web.middleware import CONTENT_SECURITY_POLICY

SIGN_IN = "/accounts/login/"
SET_UP = "/accounts/2fa/totp/activate/"
PASSWORD = "wick-and-wax-12"


@pytest.fixture
def nora(db: None) -> User:
    """A shop's buyer."""
    return User.objects.create_user("nora@fern.example", PASSWORD, name="Nora Pell")


def sign_in(client: Client, password: str = PASSWORD, address: str = "nora@fern.example") -> int:
    """Try to sign in and return the status of the answer."""
    return client.post(SIGN_IN, {"login": address, "password": password}).status_code


def is_in(client: Client) -> bool:
    """Is somebody signed in on this client?"""
    return get_user(client).is_authenticated


@pytest.mark.django_db
def test_signing_in_asks_for_an_address_and_a_password_and_has_one_button(client: Client) -> None:
    page = client.get(SIGN_IN).content.decode()

    asked = re.findall(r'<input type="(?!hidden)\w+" name="(\w+)"', page)
    assert asked == ["login", "password"]
    assert page.count("<button") == 1


@pytest.mark.parametrize("address", ["nora@fern.example", "Nora@Fern.Example"])
def test_somebody_signs_in_by_address_in_any_case_and_lands_at_the_front_door(
    client: Client, nora: User, address: str
) -> None:
    answer = client.post(SIGN_IN, {"login": address, "password": PASSWORD})

    assert (answer.status_code, answer.headers["Location"]) == (302, "/")
    assert get_user(client) == nora


def test_a_wrong_password_says_so_and_keeps_the_address(client: Client, nora: User) -> None:
    answer = client.post(SIGN_IN, {"login": "nora@fern.example", "password": "something else"})

    assert not is_in(client)
    assert 'value="nora@fern.example"' in answer.content.decode()
    assert "belong together. Type both again." in answer.content.decode()


def test_after_five_wrong_passwords_the_right_one_does_not_help_for_a_while(client: Client, nora: User) -> None:
    """Allauth counts failures per address: 5 in 5 minutes, its documented default."""
    for _ in range(5):
        sign_in(client, "something else")

    answer = client.post(SIGN_IN, {"login": "nora@fern.example", "password": PASSWORD})

    assert not is_in(client)
    assert "Too many failed login attempts" in answer.content.decode()


def test_one_persons_failures_do_not_lock_out_another(client: Client, nora: User) -> None:
    for _ in range(5):
        sign_in(client, "something else", "someone@elsewhere.example")

    sign_in(client)

    assert is_in(client)


def test_somebody_whose_sign_in_was_closed_is_told_so(client: Client, nora: User) -> None:
    nora.is_active = False
    nora.save()

    answer = client.post(SIGN_IN, {"login": nora.email, "password": PASSWORD}, follow=True)

    assert not is_in(client)
    assert "This sign-in is closed" in answer.content.decode()


@pytest.mark.django_db
@pytest.mark.parametrize("method", ["get", "post"])
def test_nobody_signs_up_by_themselves(client: Client, method: str) -> None:
    wanted = {"email": "me@elsewhere.example", "password1": PASSWORD, "password2": PASSWORD}

    answer = getattr(client, method)("/accounts/signup/", wanted)

    assert "Accounts are opened by the workshop" in answer.content.decode()
    assert not User.objects.exists()


def test_somebody_without_a_password_chooses_one_by_the_link_in_an_e_mail(client: Client, nora: User) -> None:
    nora.set_unusable_password()
    nora.save()

    client.post("/accounts/password/reset/", {"email": nora.email})
    [letter] = mail.outbox
    [path] = re.findall(r"https?://[^/]+(/\S+)", str(letter.body))
    form = client.get(path, follow=True)
    new = {"password1": "a-new-one-for-wax", "password2": "a-new-one-for-wax"}
    client.post(form.redirect_chain[-1][0], new)

    assert letter.subject == "Choose a new password"
    assert sign_in(client, "a-new-one-for-wax") == 302
    assert is_in(client)


@pytest.mark.django_db
def test_an_unknown_address_gets_no_mail_and_learns_nothing(client: Client) -> None:
    answer = client.post("/accounts/password/reset/", {"email": "who@elsewhere.example"}, follow=True)

    assert "If somebody signs in with that address" in answer.content.decode()
    assert mail.outbox == []


def test_signing_out_takes_a_button_and_not_a_mere_link(client: Client, nora: User) -> None:
    client.force_login(nora)

    client.get("/accounts/logout/")
    assert is_in(client)

    client.post("/accounts/logout/")
    assert not is_in(client)


# RFC 6238, appendix B: for this secret, at 1111111109 s after the epoch, the SHA-1 code
# of eight digits is 07081804; an app that shows six shows the last six.
RFC_SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # base 32 of 12345678901234567890
RFC_SECONDS = 1111111109
RFC_CODE = "081804"


@pytest.fixture
def _rfc_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the check of the six figures believe in the RFC's time."""
    monkeypatch.setattr(totp, "time", SimpleNamespace(time=lambda: RFC_SECONDS))


@pytest.mark.usefixtures("_rfc_time")
def test_with_a_second_step_the_password_alone_does_not_let_in(client: Client, nora: User) -> None:
    totp.TOTP.activate(nora, RFC_SECRET)

    client.post(SIGN_IN, {"login": nora.email, "password": PASSWORD})
    assert not is_in(client)

    client.post("/accounts/2fa/authenticate/", {"code": "081805"})
    assert not is_in(client)

    client.post("/accounts/2fa/authenticate/", {"code": RFC_CODE})
    assert is_in(client)


@pytest.mark.usefixtures("_rfc_time")
def test_somebody_sets_up_a_second_step_with_the_figures_of_their_app(
    client: Client, nora: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(totp, "generate_totp_secret", lambda: RFC_SECRET)
    sign_in(client)

    asked = client.get(SET_UP, follow=True)
    assert "enter your password once more" in asked.content.decode()

    page = client.post(asked.redirect_chain[-1][0], {"password": PASSWORD}, follow=True).content.decode()
    assert RFC_SECRET in page
    assert 'src="data:image/svg+xml;base64,' in page

    answer = client.post(SET_UP, {"code": RFC_CODE}, follow=True)
    assert "10 of 10 are left" in answer.content.decode()  # the codes for a lost phone
    assert is_mfa_enabled(nora)


@pytest.mark.django_db
@pytest.mark.parametrize(
    "path",
    [
        "login/",
        "logout/",
        "signup/",
        "inactive/",
        "confirm-email/",
        "confirm-email/of-nobody/",
        "reauthenticate/",
        "password/change/",
        "password/set/",
        "password/reset/",
        "password/reset/done/",
        "password/reset/key/done/",
        "password/reset/key/1-of-nobody/",
        "email/",
        "2fa/",
        "2fa/totp/activate/",
    ],
)
@pytest.mark.parametrize("known", [True, False], ids=["signed in", "nobody"])
def test_every_page_about_signing_in_is_one_of_ours(client: Client, nora: User, path: str, known: bool) -> None:  # noqa: FBT001
    if known:
        sign_in(client)

    answer = client.get(f"/accounts/{path}", follow=True)

    assert answer.status_code in (200, 404)
    assert "casewright.css" in answer.content.decode() or answer.redirect_chain[-1][0] == "/"


@pytest.mark.django_db
@pytest.mark.parametrize("path", [SIGN_IN, "/healthz", "/nothing-here", "/static/casewright.css"])
def test_every_answer_carries_the_content_security_policy(client: Client, path: str) -> None:
    answer = client.get(path)
    answer.close()  # a file of the style is held open until then
    policy = answer.headers["Content-Security-Policy"]

    assert policy == CONTENT_SECURITY_POLICY
    assert "unsafe" not in policy
