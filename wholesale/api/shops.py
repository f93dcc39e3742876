"""The caller's shops, and what each can order today."""

from dataclasses import asdict

from drf_spectacular.utils import extend_schema
from rest_framework.decorators import api_view
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import access
from wholesale.api import serializers
from wholesale.queries import sheet as sheets
from wholesale.web.access import member_of, signed_in


@extend_schema(responses=serializers.Shop(many=True))
@api_view(["GET"])
def shops(request: Request) -> Response:
    """List the shops the caller acts for, with the caller's role."""
    rows = access.memberships_of(signed_in(request))
    return Response([{"slug": r.shop.slug, "name": r.shop.trade_name, "role": r.role} for r in rows])


@extend_schema(responses={200: serializers.Catalogue, 404: serializers.Problem})
@api_view(["GET"])
def catalogue(request: Request, slug: str) -> Response:
    """Products on sale with prices and the dates they leave from."""
    found = sheets.sheet(member_of(request, slug).shop)
    products = [asdict(p) for p in found.products if p.sold and p.unit_price is not None]
    body = {"currency": found.currency, "cut_off": found.cut_off, "products": products}
    return Response(serializers.Catalogue(body).data)
