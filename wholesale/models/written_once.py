"""Rows that are added and never changed: accounts and stock rest on them."""

from typing import Any, NoReturn

from django.db import models


class WrittenOnceRows(models.QuerySet[Any]):
    """Rows that may be added and read, nothing else."""

    def update(self, **_kwargs: Any) -> NoReturn:
        """Refuse: see ``WrittenOnce``."""
        refuse_change()

    def bulk_update(self, *_args: Any, **_kwargs: Any) -> NoReturn:
        """Refuse: see ``WrittenOnce``."""
        refuse_change()

    def delete(self) -> NoReturn:
        """Refuse: see ``WrittenOnce``."""
        refuse_change()


def refuse_change() -> NoReturn:
    """Raise the ``TypeError`` that says how a row written once is corrected."""
    raise TypeError("This row is written once and never changed; add a row that corrects it.")


class WrittenOnce(models.Model):
    """What accounts rest on: an issued document or money recorded is corrected by another row, never changed."""

    objects = WrittenOnceRows.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Add the row; ``TypeError`` when it is there already."""
        if not self._state.adding:
            refuse_change()
        super().save(*args, **kwargs)

    def delete(self, *_args: Any, **_kwargs: Any) -> NoReturn:
        """Refuse, with a ``TypeError``."""
        refuse_change()
