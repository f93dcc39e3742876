"""The workshop's own rules."""

from django.db import models


class Setting(models.Model):
    """One setting that differs from its default; ``wholesale.core.workshop`` lists them all."""

    name = models.CharField(max_length=60, primary_key=True)
    value = models.TextField()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.name} = {self.value}"
