"""Addresses of the API, version 1."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView

from wholesale.api import orders, shops, sign_in

app_name = "api"
urlpatterns = [
    path("schema/", SpectacularAPIView.as_view(), name="schema"),
    path("token/", sign_in.token, name="token"),
    path("shops/", shops.shops, name="shops"),
    path("shops/<slug:slug>/catalogue/", shops.catalogue, name="catalogue"),
    path("shops/<slug:slug>/quote/", orders.quote, name="quote"),
    path("shops/<slug:slug>/orders/", orders.orders, name="orders"),
    path("shops/<slug:slug>/orders/<str:number>/", orders.order, name="order"),
    path("shops/<slug:slug>/orders/<str:number>/papers/", orders.papers, name="papers"),
    path("shops/<slug:slug>/papers/<int:paper>/", orders.paper, name="paper"),
]
