"""The Django app that holds the tables of the wholesale trade."""

from django.apps import AppConfig


class WholesaleConfig(AppConfig):
    """Registers the tables under the label ``wholesale`` and the checks of the settings."""

    name = "wholesale"
    verbose_name = "Wholesale"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Register the system checks; Django calls this once, at the start."""
        from wholesale import checks  # noqa: F401, PLC0415  (registers on import, needs the apps)
