"""Addresses of a shop's pages, below ``/shops/``."""

from django.urls import path

from wholesale.shop import account, orders, papers, sheet

app_name = "shop"
urlpatterns = [
    path("<slug:slug>/order/", sheet.order_sheet, name="order_sheet"),
    path("<slug:slug>/order/panel/", sheet.order_panel, name="order_panel"),
    path("<slug:slug>/orders/", orders.order_list, name="orders"),
    path("<slug:slug>/orders/<str:number>/", orders.order_page, name="order"),
    path("<slug:slug>/orders/<str:number>/withdraw/", orders.withdraw, name="withdraw"),
    path("<slug:slug>/papers/<int:paper_id>/", papers.paper_file, name="paper"),
    path("<slug:slug>/papers/<int:paper_id>/state/", papers.paper_state, name="paper_state"),
    path("<slug:slug>/account/", account.account, name="account"),
]
