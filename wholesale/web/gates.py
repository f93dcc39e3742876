"""The gates of a promise, as ``components/gates.html`` shows them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from wholesale.core.production.promise import Gate
from wholesale.web.templatetags.casewright import count


@dataclass(frozen=True, kw_only=True)
class Step:
    """One gate: its day, how long it took, why, and whether it decides the date."""

    title: str
    when: date
    took: str
    because: str
    binding: bool


def steps(gates: Sequence[Gate]) -> tuple[Step, ...]:
    """Return the gates in the words of the page."""
    return tuple(
        Step(
            title=gate.title, when=gate.passed_on, because=gate.because, binding=gate.binding,
            took="" if _said(gate) else count(gate.took_days, "day,days"),
        )
        for gate in gates
    )  # fmt: skip


def _said(gate: Gate) -> bool:
    """Do a gate's days go without saying: none, or its reason begins with them?"""
    return not gate.took_days or gate.because.startswith(f"{gate.took_days} ")
