"""What every answer carries."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

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
