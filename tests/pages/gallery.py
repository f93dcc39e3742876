"""A page that shows every component, and the addresses the head of a page may name.

The addresses stand in for the pages proper, so that a test of the look fails for the
look alone.
"""

from datetime import date
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.template import engines
from django.urls import include, path

from accounts.forms import ShopForm

GALLERY = """
{% extends "base.html" %}{% load casewright %}
{% block title %}Gallery{% endblock %}
{% block content %}
<h1>Gallery</h1>
{% for state, word in states %}{% include "components/state.html" with state=state word=word only %}{% endfor %}
{% for kind in kinds %}
{% include "components/notice.html" with state=kind title="A title" text="A text." only %}
{% endfor %}
{% include "components/days.html" with days=days label="This week" only %}
<form id="order" action="/gallery/" method="get">
<table class="sheet pairs">
  <caption>By the case</caption>
  <thead><tr><th scope="col">Design</th><th scope="col" class="num">Case price</th>
    <th scope="col">Leaves from</th><th scope="col" class="act">Cases</th></tr></thead>
  <tbody>
  {% for name in names %}
  <tr><th scope="row">{{ name }} <span class="soft">a longish description of scents and sizes</span></th>
    <td class="num" data-label="Case price">
      {% include "components/money.html" with amount=7200 currency="USD" how="6 × $12.00" only %}
    </td>
    <td data-label="Leaves from">{{ day|day }}</td>
    <td class="act">
      {% include "components/stepper.html" with name=name id=name value=2 max=3 label=name unit="cases" only %}
    </td></tr>
  {% endfor %}
  </tbody>
</table>
<button class="button" type="submit">Send</button>
</form>
<table class="sheet stays"><tbody>
  <tr><th scope="row">Goods</th><td class="num">{{ amount|money:"USD" }}</td></tr>
</tbody></table>
{% include "components/gates.html" with gates=gates sooner="you order by 14:00." only %}
{% include "components/load.html" with name="Pot A" used=2 of=2 unit="loads" only %}
{% for paper in papers %}{% include "components/paper.html" %}{% endfor %}
{% include "components/caution.html" with lines=lines only %}
<form class="form">{% include "components/fields.html" with form=form only %}</form>
<dl class="facts"><div><dt>Order</dt><dd class="code">W-1042</dd></div></dl>
{% endblock %}
{% block bar %}<section class="bar" aria-label="Order total"><p class="bar-sum">2 cases <strong>$144.00</strong></p>
<button class="button" type="submit" form="order">Place order</button></section>{% endblock %}
"""

DAY = date(2026, 3, 16)


def _gates() -> list[SimpleNamespace]:
    rows = [
        ("Poured", DAY, "", "Pot A has room", False),
        ("Topped", DAY, "3 nights", "no topping on Sunday", True),
    ]
    return [
        SimpleNamespace(title=title, when=when, took=took, because=because, binding=binding)
        for title, when, took, because, binding in rows
    ]


def facts() -> dict[str, Any]:
    """What the gallery shows."""
    papers = [
        {"title": "Confirmation", "state": "ready", "url": "/x"},
        {"title": "Invoice", "state": "making", "url": "", "poll_url": "/gallery/poll/"},
        {"title": "Slip", "state": "failed", "reason": "No town.", "again_url": "/gallery/"},
        {"title": "Pro-forma", "state": "waiting"},
    ]
    return {
        "states": [("well", "On time"), ("look", "Late"), ("stopped", "Held"), ("quiet", "Not begun")],
        "kinds": ["well", "look", "stopped", "note"],
        "days": [{"date": DAY, "url": "/x", "kind": "work", "current": True, "state": "look", "note": "Full"}],
        "names": ["Pebble-jar", "Fern-tin"],
        "day": DAY,
        "amount": Decimal("1080.00"),
        "gates": _gates(),
        "papers": papers,
        "lines": ["Never leave melting wax."],
        "form": ShopForm({"country": "US", "tax_id": "07-1144442"}),
    }


def gallery(request: HttpRequest, **_kwargs: str) -> HttpResponse:
    """Show every component."""
    return HttpResponse(engines["django"].from_string(GALLERY).render(facts(), request))


def poll(_request: HttpRequest) -> HttpResponse:
    """Answer that there is nothing new."""
    return HttpResponse(status=204)


SHOP = [
    path("<slug:slug>/order/", gallery, name="order_sheet"),
    path("<slug:slug>/orders/", gallery, name="orders"),
    path("<slug:slug>/account/", gallery, name="account"),
]
BENCH_PAGES = ("queue", "day", "plan", "stock", "recipes", "needs", "capacity", "invoices", "shops", "workbook")
BENCH = [path(f"{name}/", gallery, name=name) for name in BENCH_PAGES]

urlpatterns = [
    path("gallery/", gallery),
    path("gallery/poll/", poll),
    path("accounts/", include("allauth.urls")),
    path("shops/", include((SHOP, "shop"))),
    path("bench/", include((BENCH, "bench"))),
]
