"""A load while a plan is being made: what is in it, and what that weighs."""

from datetime import date
from decimal import Decimal

from wholesale.core.catalogue import Sku
from wholesale.core.production.work import Load, Portion, Work

#: Whose pieces of which sku at which step, and how many came good of them, once done.
Key = tuple[str, Sku, str, int | None]


class Draft:
    """A load that can still be filled; ``of`` is the load it was taken over from, with ``changes`` since."""

    __slots__ = ("begun", "changes", "day", "done", "grams", "of", "own_minutes", "pieces", "portions", "ref", "work")

    def __init__(self, work: Work, day: date, own_minutes: Decimal, of: Load | None = None) -> None:
        self.work = work
        self.day = day
        self.own_minutes = own_minutes
        self.ref = of.ref if of else None
        self.done = of is not None and of.done
        self.begun = of is not None and of.begun
        self.of = of
        self.changes = 0
        self.portions: dict[Key, int] = {}
        self.grams = Decimal(0)
        self.pieces = 0

    def load(self) -> Load:
        """The load as a value."""
        # What is done or begun stays as it was: of what a recipe no longer knows a draft holds nothing.
        if self.of is not None and (self.done or self.begun or not self.changes):
            return self.of
        portions = (Portion(*key[:3], pieces, key[3]) for key, pieces in self.portions.items() if pieces)
        return Load(
            work=self.work, day=self.day, portions=tuple(portions), ref=self.ref, done=self.done, begun=self.begun
        )

    def put(self, key: Key, pieces: int, grams: Decimal) -> None:
        """Add pieces of one kind; fewer than none takes out again what was added."""
        self.changes += 1 if pieces > 0 else -1
        there = self.portions.get(key, 0) + pieces
        if there:
            self.portions[key] = there
        else:
            # A key that stayed would give its place in the load to whoever asks next with the same one.
            del self.portions[key]
        self.pieces += pieces
        self.grams += grams
