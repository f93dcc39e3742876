"""What every answer carries."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

#: Everything comes from us; no script or style stands in a page. ``data:`` is for the
#: square code that sets up a second sign-in step. Terms: W3C Content Security Policy 3.
CONTENT_SECURITY_POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)


def content_security_policy(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Send the policy with every answer that has none of its own."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
        return response

    return answer


def lost_form(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Say something to a phone that opens again the address a form was sent to, instead of an empty page."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if response.status_code != 405 or response.content:
            return response
        page = render(request, "405.html", status=405)
        page.headers["Allow"] = response.headers["Allow"]
        return page

    return answer
