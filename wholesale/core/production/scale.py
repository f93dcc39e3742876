"""From exact grams to what the scale can show, without passing the most a wax carries or a pot holds.

Each weight is rounded to the nearest multiple of the scale's division; then what
passes a limit is taken back, a division at a time:

- the pot: what counts against ``load_g`` (all that is in it, or the wax alone) stays within it;
- each load ÷ its wax: all loads together stay within the most that each wax carries
  (its ``max_load``); on a wax without one on file each load stays within what the recipe
  itself asks for. A recipe that asks for more than the wax carries is lowered to it, all
  loads alike.

A load is only ever lowered for a limit, never the wax raised: a coarse scale weighs a
little less oil rather than too much.
"""

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Basis, RecipeLine, mass_weights


class Part(NamedTuple):
    """One line of a melt: its exact grams, and the most it carries as a wax (a share of it)."""

    line: RecipeLine
    grams: Decimal
    max_load: Decimal | None = None

    @property
    def is_share(self) -> bool:
        """Is it wax, or what else the batch is a share of, and no load on it?"""
        return self.line.basis is Basis.SHARE


class Pot(NamedTuple):
    """Grams that a melt has room for, and whether they count the wax alone."""

    room_g: Decimal
    wax_alone: bool = False

    def counts(self, part: Part) -> bool:
        """Does a part take room in the pot?"""
        return part.is_share or not self.wax_alone


def on_scale(parts: Sequence[Part], division: Decimal, pot: Pot | None = None) -> tuple[Decimal, ...]:
    """The grams to weigh of each part, multiples of ``division`` (grams above 0), within every limit.

    A melt whose exact grams are already more than the pot holds is no matter of the scale: the pot is not
    looked at then.
    """
    shown = [_nearest(part.grams, division) for part in parts]
    if pot:
        _into_pot(parts, shown, division, pot)
    weights = mass_weights([part.line for part in parts])
    planned = [load_on(parts, weights, place) for place in range(len(parts))]
    for place, part in enumerate(parts):
        if not part.is_share:
            wax = sum((Fraction(shown[at]) for at in carriers_of(parts, place)), Fraction(0))
            shown[place] = min(shown[place], round_down(wax * most_of(parts, shown, planned, place), division))
    return tuple(shown)


def most_of(parts: Sequence[Part], shown: Sequence[Decimal], planned: Sequence[Fraction], place: int) -> Fraction:
    """The most of a load that may be weighed, as a share of its wax; ``planned`` are the shares of the recipe."""
    most = planned[place]
    limits = []
    for carrier in carriers_of(parts, place):
        limit = parts[carrier].max_load
        on_it = [at for at, part in enumerate(parts) if not part.is_share and carrier in carriers_of(parts, at)]
        asked = sum((planned[at] for at in on_it), Fraction(0))
        if limit is None:
            limits.append(most)
        elif asked > Fraction(limit):
            limits.append(most * Fraction(limit) / asked)
        else:
            before = sum((load_on(parts, shown, at) for at in on_it if at < place), Fraction(0))
            limits.append(Fraction(limit) - before)
    return max(Fraction(0), min(limits))


def load_on(parts: Sequence[Part], grams: Sequence[Decimal] | Sequence[Fraction], place: int) -> Fraction:
    """A part as a share of the wax it is a load of; 0 for the wax itself and where there is none."""
    wax = sum((Fraction(grams[at]) for at in carriers_of(parts, place)), Fraction(0))
    return Fraction(grams[place]) / wax if wax and not parts[place].is_share else Fraction(0)


def carriers_of(parts: Sequence[Part], place: int) -> frozenset[int]:
    """Where the wax stands that a load is of: the one it names, or all shares."""
    named = parts[place].line.carrier
    shares = [at for at, part in enumerate(parts) if part.is_share]
    return frozenset(at for at in shares if named in {"", parts[at].line.component})


def _into_pot(parts: Sequence[Part], shown: list[Decimal], division: Decimal, pot: Pot) -> None:
    """Round down what was rounded up the most, until the pot holds it."""
    counted = [at for at, part in enumerate(parts) if pot.counts(part)]
    if sum(parts[at].grams for at in counted) > pot.room_g:
        return
    while sum(shown[at] for at in counted) > pot.room_g:
        shown[max(counted, key=lambda at: shown[at] - parts[at].grams)] -= division


def _nearest(grams: Decimal, division: Decimal) -> Decimal:
    """The nearest multiple of the division, halves up."""
    return (grams / division).to_integral_value(ROUND_HALF_UP) * division


def round_down(grams: Fraction, division: Decimal) -> Decimal:
    """The largest multiple of the division that is not above the grams."""
    return int(grams / Fraction(division)) * division
