"""The Django app that holds people and shops."""

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """Registers the tables under the label ``accounts``."""

    name = "accounts"
    verbose_name = "Accounts"
    default_auto_field = "django.db.models.BigAutoField"
