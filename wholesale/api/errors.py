"""One shape for every error: ``code``, ``message``, ``field``, ``facts``."""

from typing import Any

from django.http import Http404
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.response import Response
from rest_framework.views import exception_handler

from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal

_STATUS: tuple[tuple[type[Refusal], int], ...] = ((NotAllowed, 403), (NotFound, 404), (Conflict, 409), (Refusal, 422))


def answer(error: Exception, context: dict[str, Any]) -> Response | None:
    """Answer a refusal of the trade, or the framework's own error, in the one shape."""
    if isinstance(error, Refusal):
        status = next(status for kind, status in _STATUS if isinstance(error, kind))
        return Response(refusal(error), status=status)
    response = exception_handler(error, context)
    if response is not None:
        field, message = _first(error)
        response.data = {"code": _code(error), "message": message, "field": field, "facts": {}}
    return response


def refusal(error: Refusal) -> dict[str, Any]:
    """A refusal as JSON-ready values."""
    return {"code": error.code, "message": error.message, "field": error.field, "facts": error.facts}


def _code(error: Exception) -> str:
    if isinstance(error, ValidationError):
        return "invalid"
    return str(error.default_code) if isinstance(error, APIException) else "not_found"


def _first(error: Exception) -> tuple[str, str]:
    """The field and the words of the first thing wrong."""
    if isinstance(error, Http404):
        return "", "There is no such thing for you."
    found: Any = error.detail if isinstance(error, APIException) else str(error)
    path = []
    while isinstance(found, dict | list) and found:
        if isinstance(found, dict):
            name, found = next(iter(found.items()))
            path.append(str(name))
        else:
            found = next((part for part in found if part), "")
    return ".".join(path), str(found)
