"""Every address of the house, by who uses it."""

from django.urls import include, path

from wholesale.config.health import health
from wholesale.shop.front import front_door

urlpatterns = [
    path("", front_door, name="front_door"),
    path("accounts/", include("allauth.urls")),
    path("shops/", include("wholesale.shop.urls")),
    path("bench/", include("wholesale.maker.urls")),
    path("api/v1/", include("wholesale.api.urls")),
    path("healthz", health, name="health"),
]
