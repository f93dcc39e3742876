"""The window of a plan as a CP-SAT model: whole pieces by step and day, whole loads by equipment and day.

Waits between steps are sums up to a day: what goes into a step by then has come out of
the one before, so many nights earlier; and what came out so many days ago has gone on.
As pieces go on in the order they came in, that says the same as a wait for each piece.
Loads of one kind of work take pieces up to the sum of their shares of a load (a piece of
which 25 fill a pot takes a twenty-fifth of it).

What the present plan does already is allowed: each limit is eased by as much as the plan
is over it today, so that the search can always start from there.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from math import lcm
from typing import Any, NamedTuple

from ortools.sat.python import cp_model

from wholesale.core.catalogue import NO_LIMIT, Operation, Sku, Unit, load_pieces
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.families import family
from wholesale.core.production.score import operation, order_of
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.window import Chain, Key, Spot, Window, is_part
from wholesale.core.production.work import Demand, Load, Portion, Work
from wholesale.core.stock import OnHand

#: A late order weighs more than any late days, and these more than any loads.
_LATE_ORDER, _LATE_DAY = 1_000_000, 1_000
#: Shares of a load are counted in parts of their common multiple, or, where that is larger, of this.
_FINE = 1_000_000
#: More than ever stands on a shelf.
_MOST = 2**40


class Term(NamedTuple):
    """A number of times a variable; with no variable, a plain number."""

    var: Any
    times: Fraction
    now: int


class Sum:
    """A sum of variables and numbers, and what it is in the present plan."""

    def __init__(self, terms: Iterable[Term] = (), plain: Fraction | int = 0) -> None:
        self.terms = list(terms)
        self.plain = Fraction(plain)

    def plus(self, other: "Sum", times: Fraction | int = 1) -> "Sum":
        """This sum and so many times another one."""
        more = (Term(term.var, term.times * times, term.now) for term in other.terms)
        return Sum([*self.terms, *more], self.plain + other.plain * times)

    @property
    def now(self) -> Fraction:
        """What it is in the present plan."""
        return self.plain + sum((term.times * term.now for term in self.terms), Fraction(0))


#: What comes or goes on days.
Rows = list[tuple[date, Sum]]


class Model:
    """The variables, their limits, and what is to be as small as can be; ``counts`` reads a solution."""

    def __init__(self, window: Window, stock: Iterable[OnHand]) -> None:
        self.window = window
        self.stock = tuple(stock)
        self.cp = cp_model.CpModel()
        self.pieces: dict[Spot, Any] = {}
        self.present: dict[Spot, int] = {}
        self._by_work: dict[tuple[Work, date], list[Spot]] = defaultdict(list)
        self._loads: dict[tuple[Work, date], Term] = {}
        self._so_far: dict[tuple[Key, int], list[tuple[date, Term]]] = defaultdict(list)
        self._move()
        self._load()
        self._quotas()
        self._hands()
        self._waits()
        self._shelves()
        self.late = self._promises()
        self.changeovers = self._families()

    # ── variables ────────────────────────────────────────────────────────────

    def _move(self) -> None:
        """Pieces of each step on each day; together as many as now."""
        for chain in self.window.chains.values():
            for step in range(len(chain.steps)):
                if total := chain.moves(step):
                    days = self.window.may_be(chain, step)
                    spots = [self._piece(chain, step, day, total) for day in days]
                    self._add_up(chain, step, spots, total)

    def _add_up(self, chain: Chain, step: int, spots: Sequence[Spot], total: int) -> None:
        """Pieces of a step up to each day: a variable each, so that no limit needs a long sum."""
        so_far: Any = 0
        now = 0
        for spot in spots:
            now += self.present[spot]
            var = self.cp.new_int_var(total if spot is spots[-1] else 0, total, "")
            self.cp.add_hint(var, now)
            self.cp.add(var == so_far + self.pieces[spot])
            self._so_far[chain.key, step].append((spot.day, Term(var, Fraction(1), now)))
            so_far = var

    def _piece(self, chain: Chain, step: int, day: date, total: int) -> Spot:
        spot, now = Spot(chain.key, step, day), chain.now[step].get(day, 0)
        work = self.window.work(chain, step)
        var = self.cp.new_int_var(0, total, "")
        self.cp.add_hint(var, now)
        self.pieces[spot], self.present[spot] = var, now
        self._by_work[work, day].append(spot)
        return spot

    def _load(self) -> None:
        """Loads of each work on each day, enough for the pieces in them."""
        there: dict[tuple[Work, date], int] = defaultdict(int)
        for load in self.window.moving:
            there[load.work, load.day] += 1
        for (work, day), spots in self._by_work.items():
            if work.equipment or any(self._step(spot).minutes_per_load for spot in spots):
                self._add_loads(work, day, spots, there[work, day])

    def _add_loads(self, work: Work, day: date, spots: list[Spot], now: int) -> None:
        caps = {spot: load_pieces(self.window.catalogue, spot.chain.sku.item, self._step(spot)) for spot in spots}
        binding = {cap for cap in caps.values() if cap < NO_LIMIT}
        most = self._quota(work.equipment, day)
        var = self.cp.new_int_var(0, max(now, most if binding else 1), "")
        self.cp.add_hint(var, now)
        self._loads[work, day] = Term(var, Fraction(1), now)
        whole = lcm(*binding) if binding else 1
        whole = min(whole, _FINE)
        # Where shares are rounded up a load has room for as much more, so that full ones stay full.
        full = max((-(-whole // cap) * cap for cap in binding), default=whole)
        loads = Sum([Term(var, Fraction(full), now)])
        used = Sum(self._term(s, Fraction(-(-whole // cap))) for s, cap in caps.items() if cap < NO_LIMIT)
        self._at_most(used, loads)
        if len(binding) < len(set(caps.values())):
            total = sum(self._chain(spot).moves(spot.step) for spot in spots)
            self._at_most(Sum(self._term(spot) for spot in spots), Sum([Term(var, Fraction(total), now)]))

    # ── what limits a day ────────────────────────────────────────────────────

    def _quota(self, equipment: str, day: date) -> int:
        """Loads an equipment takes on a day beside those that stand fast."""
        held = self.window.catalogue.equipment.get(equipment)
        if held is None or held.loads_per_day is None:
            return NO_LIMIT // _FINE
        most = self.window.shop.count_of(equipment, day) * held.loads_per_day
        fixed = sum(1 for load in self._fixed_on[day] if load.work.equipment == equipment and load.portions)
        return max(0, most - fixed)

    @cached_property
    def _fixed_on(self) -> dict[date, list[Load]]:
        found: dict[date, list[Load]] = defaultdict(list)
        for load in self.window.fixed:
            found[load.day].append(load)
        return found

    def _quotas(self) -> None:
        """Loads of all work of an equipment stay within its quota."""
        on: dict[tuple[str, date], list[Term]] = defaultdict(list)
        for (work, day), term in self._loads.items():
            if work.equipment:
                on[work.equipment, day].append(term)
        for (equipment, day), terms in on.items():
            self._at_most(Sum(terms), Sum(plain=self._quota(equipment, day)))

    def _hands(self) -> None:
        """No group of hands works longer than its day has minutes."""
        used: dict[tuple[str, date], list[Term]] = defaultdict(list)
        for (work, day), spots in self._by_work.items():
            own: dict[str, Decimal] = defaultdict(Decimal)
            for spot in spots:
                step = self._step(spot)
                used[step.hands, day].append(self._term(spot, Fraction(step.minutes_per_piece)))
                own[step.hands] = max(own[step.hands], step.minutes_per_load)
            if term := self._loads.get((work, day)):
                for hands, minutes in own.items():
                    used[hands, day].append(Term(term.var, Fraction(minutes), term.now))
        for (hands, day), terms in used.items():
            there = self.window.shop.calendar.minutes(hands, day) if hands else None
            if there is not None:
                self._at_most(Sum(terms, self._spoken_for(hands, day)), Sum(plain=there))

    def _spoken_for(self, hands: str, day: date) -> Fraction:
        """Minutes of the loads that stand fast."""
        total = Fraction(0)
        for load in self._fixed_on[day]:
            steps = [(p, step) for p in load.portions if (step := operation(self.window.catalogue, p))]
            total += sum((Fraction(s.minutes_per_piece) * p.pieces for p, s in steps if s.hands == hands), Fraction(0))
            opened = max((step for _, step in steps), key=lambda step: step.minutes_per_load, default=None)
            total += Fraction(opened.minutes_per_load) if opened and opened.hands == hands else Fraction(0)
        return total

    # ── what follows what ────────────────────────────────────────────────────

    def _waits(self) -> None:
        """Between two steps of a chain at least and at most so many nights or days go by."""
        for chain in self.window.chains.values():
            for step in range(len(chain.steps) - 1):
                if chain.moves(step) or chain.moves(step + 1):
                    self._wait_least(chain, step)
                    self._wait_most(chain, step)

    def _wait_least(self, chain: Chain, step: int) -> None:
        least = usable_on(chain.steps[step], date.min) - date.min
        for day in self._days_of(chain, step + 1):
            self._at_most(self._into(chain, step + 1, day), self._out(chain, step, day - least))

    def _wait_most(self, chain: Chain, step: int) -> None:
        longest = chain.steps[step].days_max
        for day in self._days_of(chain, step) if longest is not None else ():
            by = day + timedelta(days=longest or 0)
            if by >= self.window.days[0]:
                self._at_most(self._out(chain, step, day), self._into(chain, step + 1, by))

    def _days_of(self, chain: Chain, step: int) -> list[date]:
        """Days on which a step is done or may be; beyond the window only the first after it can tell anything new."""
        fixed = {day for day, _ in chain.into[step]}
        return sorted(fixed | set(self.window.may_be(chain, step) if chain.moves(step) else ()))

    def _into(self, chain: Chain, step: int, by: date) -> Sum:
        return Sum(self._terms(chain, step, by), sum((n for day, n in chain.into[step] if day <= by), Fraction(0)))

    def _out(self, chain: Chain, step: int, by: date) -> Sum:
        share = chain.shares[step]
        plain = sum((n for day, n in chain.out[step] if day <= by), Fraction(0))
        return Sum(plain=plain).plus(Sum(self._terms(chain, step, by)), share)

    def _terms(self, chain: Chain, step: int, by: date) -> list[Term]:
        return [term for day, term in self._so_far.get((chain.key, step), ()) if day <= by][-1:]

    # ── parts on the shelf ───────────────────────────────────────────────────

    def _shelves(self) -> None:
        """On no day are more parts used than are there by then; none waits for longer than it keeps."""
        self._made: dict[Sku, Rows] = defaultdict(list)
        self._used: dict[Sku, Rows] = defaultdict(list)
        for chain in self.window.chains.values():
            self._gather(chain)
        self._gather_fixed()
        for sku in sorted(self._used):
            self._shelf(sku)

    def _gather(self, chain: Chain) -> None:
        last = len(chain.steps) - 1
        for step, done in enumerate(chain.steps):
            spots = [spot for day in self.window.days if (spot := Spot(chain.key, step, day)) in self.pieces]
            for part in stocked_parts(self.window.catalogue, chain.key.sku, done) if spots else ():
                self._used[part.sku] += [(spot.day, Sum([self._term(spot, part.each)])) for spot in spots]
            if step == last and is_part(self.window.catalogue, chain.key.sku):
                share = chain.shares[step]
                made = [(usable_on(done, spot.day), Sum([self._term(spot, share)])) for spot in spots]
                self._made[chain.key.sku] += made

    def _gather_fixed(self) -> None:
        """What stock and loads that stand fast bring and take; what is done is on the shelf already."""
        for row in self.stock:
            self._made[row.sku].append((row.usable_on, Sum(plain=row.quantity)))
        for load in (load for load in self.window.fixed if not load.done):
            for portion in load.portions:
                if step := operation(self.window.catalogue, portion):
                    self._gather_portion(load, portion, step)

    def _gather_portion(self, load: Load, portion: Portion, step: Operation) -> None:
        catalogue = self.window.catalogue
        for part in stocked_parts(catalogue, portion.sku, step):
            # What is weighed for a begun load has left the shelf already.
            if not (load.begun and part.weighed):
                self._used[part.sku].append((load.day, Sum(plain=part.each * portion.pieces)))
        steps = catalogue.steps(portion.sku.item)
        if is_part(catalogue, portion.sku) and step == steps[-1]:
            share = Fraction(catalogue.items[portion.sku.item].yield_share) * Fraction(step.yield_share)
            self._made[portion.sku].append((usable_on(step, load.day), Sum(plain=share * portion.pieces)))

    def _shelf(self, sku: Sku) -> None:
        made, used = self._made.get(sku, []), self._used[sku]
        # Once all that moves has come and gone, nothing that moves can make a later day short.
        settled = max((day for day, found in (*made, *used) if found.terms), default=self.window.days[0])
        days = sorted({day for day, _ in used if self.window.days[0] <= day})
        after = [day for day in days if day > settled][:1]
        self._levels(made, used, [*(day for day in days if day <= settled), *after])
        steps = self.window.catalogue.steps(sku.item)
        if steps and steps[-1].days_max is not None:
            for day, found in made:
                if found.terms:
                    begun = day - (usable_on(steps[-1], day) - day)
                    self._at_most(_by(made, day), _by(used, begun + steps[-1].days_max * ONE_DAY))

    def _levels(self, made: Rows, used: Rows, days: Sequence[date]) -> None:
        """What is there on each day: what was there the day before, and what came and went since."""
        level, before = Sum(), date.min
        for day in days:
            level = level.plus(_between(made, before, day)).plus(_between(used, before, day), -1)
            if level.terms:
                level = self._held_up(level)
            before = day

    def _held_up(self, level: Sum) -> Sum:
        """A variable for a level that may not fall below nothing, or below what it is at present."""
        scale, now = lcm(_scale(level), level.plain.denominator), level.now
        plain = int(level.plain * scale // 1)
        var = self.cp.new_int_var(min(0, int(now * scale // 1)), _MOST, "")
        self.cp.add_hint(var, int(now * scale // 1))
        self.cp.add(var == _expression(level, scale) + plain)
        return Sum([Term(var, Fraction(1, scale), int(now * scale // 1))])

    # ── what is wanted ───────────────────────────────────────────────────────

    def _promises(self) -> Sum:
        """Late orders and late days, weighed; orders in time can't become late, those late no later."""
        late: dict[tuple[object, date], list[Spot]] = defaultdict(list)
        asked: dict[object, Demand] = {}
        for spot in self.pieces:
            demand = self.window.demands.get(spot.chain.demand)
            if demand and demand.promised and demand.sku == spot.chain.sku:
                leaves = self._leaves(spot)
                if leaves > demand.promised:
                    asked[order_of(demand)] = demand
                    late[order_of(demand), leaves].append(spot)
        terms: list[Term] = []
        for order, demand in asked.items():
            terms += self._lateness(demand, {day: spots for (key, day), spots in late.items() if key == order})
        return Sum(terms)

    def _leaves(self, spot: Spot) -> date:
        ready = spot.day + self.window.cure(self._chain(spot), spot.step) * ONE_DAY
        return self.window.shop.calendar.work_from(ready)

    def _lateness(self, demand: Demand, late: Mapping[date, list[Spot]]) -> list[Term]:
        """One term a stretch of late days: it counts as soon as a piece makes the order leave after it began.

        The stretches up to where it leaves at present anyhow, for what stands fast, count always.
        """
        terms, before = [], demand.promised or date.max
        for day in sorted(late):
            var, now = self.cp.new_bool_var(""), int(any(self.present[s] for d in late if d >= day for s in late[d]))
            self.cp.add_hint(var, now)
            for spot in (spot for later in late if later >= day for spot in late[later]):
                self.cp.add(self.pieces[spot] == 0).only_enforce_if(~var)
            weight = _LATE_DAY * (day - before).days + (_LATE_ORDER if before == demand.promised else 0)
            terms.append(Term(var, Fraction(weight), now))
            before = day
        return terms

    def _families(self) -> Sum:
        """Families in an equipment on a day, less the first of each day."""
        found: dict[tuple[str, date], dict[tuple[str, str], list[Term]]] = defaultdict(lambda: defaultdict(list))
        for (work, day), term in self._loads.items():
            if work.equipment:
                found[work.equipment, day][self._family(work, day)].append(term)
        terms: list[Term] = []
        for (equipment, day), families in found.items():
            fixed = {
                family(self.window.catalogue, load) for load in self._fixed_on[day] if load.work.equipment == equipment
            }
            terms += self._changes(families, fixed)
        return Sum(terms)

    def _family(self, work: Work, day: date) -> tuple[str, str]:
        steps = {self._step(spot).code: spot for spot in self._by_work[work, day]}
        portions = tuple(Portion("", spot.chain.sku, code, 1) for code, spot in steps.items())
        return family(self.window.catalogue, Load(work=work, day=day, portions=portions))

    def _changes(
        self, families: Mapping[tuple[str, str], list[Term]], fixed: set[tuple[str, str]]
    ) -> Iterable[Term]:  # fmt: skip
        """A term for each family that isn't there anyhow, and one off when there is any."""
        used: list[Term] = []
        for name, loads in families.items():
            if name not in fixed:
                var, now = self.cp.new_bool_var(""), int(any(term.now for term in loads))
                self.cp.add_hint(var, now)
                for term in loads:
                    self.cp.add(term.var == 0).only_enforce_if(~var)
                used.append(Term(var, Fraction(1), now))
        if fixed:
            return used
        first, now = self.cp.new_bool_var(""), int(any(term.now for term in used))
        self.cp.add_hint(first, now)
        self.cp.add(sum(term.var for term in used) >= first)
        return [*used, Term(first, Fraction(-1), now)]

    @property
    def main(self) -> Sum:
        """Late orders, late days, then loads and changeovers."""
        loads = Sum(term for (work, _), term in self._loads.items() if work.equipment)
        return self.late.plus(self.changeovers).plus(loads)

    @property
    def waiting(self) -> Sum:
        """Pieces × days that bases and cast parts stand about, up to what never changes."""
        first = self.window.days[0]
        terms = [self._standing(spot, (spot.day - first).days) for spot in self.pieces]
        for rows, sign in ((self._used, 1), (self._made, -1)):
            for sku, found in rows.items():
                if is_part(self.window.catalogue, sku) and self.window.catalogue.items[sku.item].unit is Unit.PIECE:
                    terms += [Sum().plus(row, sign * (day - first).days) for day, row in found if row.terms]
        return Sum(term for found in terms for term in found.terms)

    def _standing(self, spot: Spot, days: int) -> Sum:
        """What a base waits for a step adds to the sum of days, what it waits for the next one takes off."""
        chain, cure = self._chain(spot), self.window.catalogue.recipe(spot.chain.sku.item).cure_step
        times = Fraction(days if 0 < spot.step <= cure else 0)
        times -= days * chain.shares[spot.step] if spot.step < cure else 0
        return Sum([self._term(spot, times)] if times else ())

    # ── small parts ──────────────────────────────────────────────────────────

    def _chain(self, spot: Spot) -> Chain:
        return self.window.chains[spot.chain]

    def _step(self, spot: Spot) -> Operation:
        return self._chain(spot).steps[spot.step]

    def _term(self, spot: Spot, times: Fraction = Fraction(1)) -> Term:
        return Term(self.pieces[spot], times, self.present[spot])

    def _at_most(self, less: Sum, more: Sum) -> None:
        """Hold ``less`` ≤ ``more``, eased by what the present plan is over."""
        both = less.plus(more, -1)
        if both.terms:
            scale = lcm(*(term.times.denominator for term in both.terms))
            room = (max(Fraction(0), both.now) - both.plain) * scale
            self.cp.add(_expression(both, scale) <= int(room // 1))

    def minimise(self, wanted: Sum) -> int:
        """Make a sum as small as can be, and say what it is at present."""
        scale = _scale(wanted)
        self.cp.minimize(_expression(wanted, scale))
        return int((wanted.now - wanted.plain) * scale)

    def hold(self, wanted: Sum) -> None:
        """Let a sum never be larger than it is at present."""
        self._at_most(wanted, Sum(plain=wanted.now))

    def counts(self, value: Callable[[Any], int]) -> dict[Spot, int]:
        """Pieces of each step on each day in a solution, those of none left out."""
        found = {spot: int(value(var)) for spot, var in self.pieces.items()}
        return {spot: pieces for spot, pieces in found.items() if pieces}


def _between(rows: Rows, before: date, day: date) -> Sum:
    """What comes after one day and up to another."""
    return _by((row for row in rows if row[0] > before), day)


def _by(rows: Iterable[tuple[date, Sum]], day: date) -> Sum:
    terms: list[Term] = []
    plain = Fraction(0)
    for then, found in rows:
        if then <= day:
            terms += found.terms
            plain += found.plain
    return Sum(terms, plain)


def _scale(found: Sum) -> int:
    return lcm(*(term.times.denominator for term in found.terms)) if found.terms else 1


def _expression(found: Sum, scale: int) -> Any:
    variables = [term.var for term in found.terms]
    return cp_model.LinearExpr.weighted_sum(variables, [int(term.times * scale) for term in found.terms])
