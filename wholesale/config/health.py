"""Is this process able to answer? For the proxy and the container's health check."""

from django.db import connection
from django.http import HttpRequest, HttpResponse


def health(_request: HttpRequest) -> HttpResponse:
    """Answer 200 when the database answers; a lost database raises, which is 500."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return HttpResponse("ok\n", content_type="text/plain")
