"""A token for an e-mail and a password."""

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from rest_framework.authtoken.models import Token
from rest_framework.decorators import api_view, authentication_classes, permission_classes
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from wholesale.api import serializers
from wholesale.core.values import Refusal


@extend_schema(
    request=serializers.TokenRequest,
    responses={200: serializers.Token, 400: serializers.Problem, 422: serializers.Problem},
)
@api_view(["POST"])
@authentication_classes([])
@permission_classes([AllowAny])
def token(request: Request) -> Response:
    """Sign in: the token goes into the header ``Authorization: Token …``."""
    wanted = serializers.TokenRequest(data=request.data)
    wanted.is_valid(raise_exception=True)
    checked = wanted.validated_data
    user = authenticate(request._request, username=checked["email"], password=checked["password"])  # noqa: SLF001  (DRF's way to the plain request)
    if user is None:
        raise Refusal("sign_in", "E-mail and password do not go together; check both.", "password")
    row, _ = Token.objects.get_or_create(user=user)
    return Response({"token": row.key})
