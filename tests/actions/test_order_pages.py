"""What a shop's order page reads from the rows."""

import pytest

from tests import builders
from wholesale import clock
from wholesale.models import Document
from wholesale.queries import order_pages

pytestmark = pytest.mark.django_db


def test_a_paper_that_was_made_again_is_listed_once_as_the_newest() -> None:
    """A slip is printed when packed and again when it leaves; the shop needs the second one."""
    builders.mossgate_rows()
    order = builders.place(builders.shop("corner"), ("SUC", 4, "RG"))
    now = clock.now()
    first, second = (
        Document.objects.create(kind="confirmation", order=order, due_at=now, created_at=now) for _ in range(2)
    )

    listed = [paper.id for paper in order_pages.order(order.shop, order.number).papers]
    assert listed == [second.pk]
    assert first.pk < second.pk
