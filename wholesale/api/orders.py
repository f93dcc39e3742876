"""Quoting, placing and reading a shop's orders, and fetching their papers."""

from dataclasses import asdict
from typing import Any

from django.core.files.storage import default_storage
from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import api_view
from rest_framework.request import Request
from rest_framework.response import Response

from wholesale.actions import orders as actions
from wholesale.api import serializers
from wholesale.api.errors import refusal
from wholesale.core.values import Refusal
from wholesale.queries import api_orders, order_pages
from wholesale.queries import orders as quotes
from wholesale.web.access import member_of, signed_in

_PROBLEMS = {400: serializers.Problem, 403: serializers.Problem, 404: serializers.Problem, 422: serializers.Problem}
_KEY = OpenApiParameter(
    "Idempotency-Key", str, OpenApiParameter.HEADER, required=True,
    description="Any text of up to 64 characters that is new for each order; the same key never places a second one.",
)  # fmt: skip
_PAGE = OpenApiParameter("page", int, OpenApiParameter.QUERY, description="Pages of 25, newest first.")


@extend_schema(request=serializers.BasketRequest, responses={200: serializers.Quote, **_PROBLEMS})
@api_view(["POST"])
def quote(request: Request, slug: str) -> Response:
    """Price and promise a basket as of now, and say what would come sooner; nothing is written."""
    shop = member_of(request, slug).shop
    wanted = serializers.BasketRequest(data=request.data)
    wanted.is_valid(raise_exception=True)
    found = quotes.quote(shop, serializers.basket(wanted.validated_data), alternatives=True)
    return Response(serializers.Quote(_quote_body(found)).data)


@extend_schema(
    methods=["GET"], parameters=[_PAGE],
    responses={200: serializers.OrderRow(many=True), 404: serializers.Problem}, operation_id="orders_list",
)  # fmt: skip
@extend_schema(
    methods=["POST"], parameters=[_KEY], request=serializers.OrderRequest, operation_id="orders_place",
    responses={200: serializers.Order, 201: serializers.Order, 409: serializers.Problem, **_PROBLEMS},
)  # fmt: skip
@api_view(["GET", "POST"])
def orders(request: Request, slug: str) -> Response:
    """List the shop's orders, or place one."""
    shop = member_of(request, slug).shop
    if request.method == "POST":
        return _place(request, slug)
    rows = api_orders.orders(shop, request.query_params.get("page", "1"))
    return Response(serializers.OrderRow(rows, many=True).data)


def _place(request: Request, slug: str) -> Response:
    shop = member_of(request, slug).shop
    key = request.headers.get("Idempotency-Key", "")
    if not 1 <= len(key) <= 64:
        message = "Send the header Idempotency-Key with a text of 1 to 64 characters that is new for each order."
        raise Refusal("idempotency_key", message, "Idempotency-Key")
    wanted = serializers.OrderRequest(data=request.data)
    wanted.is_valid(raise_exception=True)
    checked = wanted.validated_data
    known = api_orders.number_of(shop, key)
    number = actions.place(
        by=signed_in(request), shop=slug, basket=serializers.basket(checked), token=key,
        seen_total=checked.get("seen_total"), po_number=checked["po_number"], note=checked["note"],
    )  # fmt: skip
    body = serializers.Order(api_orders.order(shop, number)).data
    return Response(body, status=200 if known else 201)


@extend_schema(responses={200: serializers.Order, 404: serializers.Problem})
@api_view(["GET"])
def order(request: Request, slug: str, number: str) -> Response:
    """One order, whole."""
    return Response(serializers.Order(api_orders.order(member_of(request, slug).shop, number)).data)


@extend_schema(responses={200: serializers.Paper(many=True), 404: serializers.Problem})
@api_view(["GET"])
def papers(request: Request, slug: str, number: str) -> Response:
    """The papers of an order and whether they are made."""
    found = order_pages.papers(member_of(request, slug).shop, number)
    return Response(serializers.Paper(found, many=True).data)


@extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY, 404: serializers.Problem})
@api_view(["GET"])
def paper(request: Request, slug: str, paper: int) -> FileResponse:
    """A finished paper as PDF."""
    stored = order_pages.stored_paper(member_of(request, slug).shop, paper)
    return FileResponse(default_storage.open(stored.file), content_type="application/pdf", filename=stored.name)


def _quote_body(found: quotes.Quote) -> dict[str, Any]:
    totals = found.priced.totals
    promises = [{**asdict(part.promise), "holds_until": part.holds_until} for part in found.parts]
    return {
        **asdict(totals),
        "gaps": [asdict(gap) for gap in found.priced.gaps],
        "promise": promises[0] if promises else None,
        "rest": promises[1] if len(promises) > 1 else None,
        "kept_until": found.kept_until,
        "sooner": [_sooner_body(one) for one in found.sooner],
        "refusal": refusal(found.refusal) if found.refusal else None,
    }


def _sooner_body(found: quotes.Sooner) -> dict[str, Any]:
    other, totals = found.alternative, found.priced.totals
    named = ("kind", "leaves", "arrives", "rest_leaves", "rest_arrives", "cases")
    return {name: getattr(other, name) for name in named} | {
        "words": found.words,
        "freight": totals.freight,
        "total": totals.total,
        "basket": serializers.as_sent(other.basket),
    }
