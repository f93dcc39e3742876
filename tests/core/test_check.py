"""The independent check: a sound plan passes, and each single fault put into it is found by its rule.

The sound plan is two cases of succulent cups at Mossgate's bench (invented; common
practice, no source): Thu 5 March pour 12 and cast 14 (12 / 0.92 = 13.04), Fri 6 pipe,
ten days of cure, Fri 13 finish, Mon 16 leaves.
"""

from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.check import Breach, check, leaving_day
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Load, Outage, Pick, Plan, Portion, Work
from wholesale.core.stock import OnHand

SHOP = mossgate.shop()
CUPS = mossgate.demand("SUC", 12)
THU, FRI, NEXT_FRI, LEAVES = date(2026, 3, 5), date(2026, 3, 6), date(2026, 3, 13), date(2026, 3, 16)
SUC, ROSETTE = Sku("SUC", "RG"), Sku("ROSETTE")
POT, BOWL = Work("POT-A", Sku("BASE", "RG")), Work("BOWL", Sku("MOSS"))
TRAY, BENCH = Work("TRAY-R", ROSETTE, "cast"), Work("", SUC, "finish")


def load(work: Work, day: date, step: str, pieces: int, *, sku: Sku = SUC, key: str = "A") -> Load:
    """A load of one portion."""
    return Load(work=work, day=day, portions=(Portion(key, sku, step, pieces),))


POUR, PIPE, FINISH = load(POT, THU, "pour", 12), load(BOWL, FRI, "pipe", 12), load(BENCH, NEXT_FRI, "finish", 12)
CASTS = (load(TRAY, THU, "cast", 12, sku=ROSETTE), load(TRAY, THU, "cast", 2, sku=ROSETTE))
SOUND = Plan(loads=(*CASTS, POUR, PIPE, FINISH))


def without(*loads: Load) -> Plan:
    """The sound plan without some loads."""
    return Plan(loads=tuple(one for one in SOUND.loads if one not in loads))


def moved(moving: Load, day: date) -> Plan:
    """The sound plan with one load on another day."""
    return Plan(loads=(*without(moving).loads, replace(moving, day=day)))


def done(*finished: Load) -> Plan:
    """The sound plan with some loads done, all pieces good."""
    return Plan(loads=tuple(replace(one, done=True) if one in finished else one for one in SOUND.loads))


def rules(plan: Plan, shop: Shop = SHOP, stock: tuple[OnHand, ...] = (), first_day: date | None = None) -> set[str]:
    """The rules that a plan for the twelve cups breaks."""
    return {breach.rule for breach in check(shop, plan, [CUPS], stock, first_day)}


def test_the_sound_plan_breaks_no_rule_and_leaves_on_monday() -> None:
    """Sellable Mon 16 March, ten days after Fri 6; that is a work day."""
    assert check(SHOP, SOUND, [replace(CUPS, promised=LEAVES)], [], THU) == ()
    assert leaving_day(SHOP, SOUND, CUPS) == LEAVES


@pytest.mark.parametrize(
    ("plan", "rule"),
    [
        # the base sets no night
        (moved(POUR, FRI), "wait_least"),
        # 8 days between base (Thu 26 Feb) and topping (Fri 6 Mar); 7 is the longest wait
        (moved(POUR, date(2026, 2, 26)), "wait_most"),
        # finishing on the day of the topping: one night is missing
        (moved(FINISH, FRI), "wait_least"),
        # the base after its topping
        (moved(POUR, date(2026, 3, 9)), "wait_least"),
        # topped without a base
        (without(POUR), "order"),
        # 12 cups asked for, nothing finished
        (without(FINISH), "cover"),
        # Saturday is market day
        (moved(FINISH, date(2026, 3, 14)), "work_day"),
        # 12 x 0.92 = 11.04 good rosettes for 12 cups
        (without(CASTS[1]), "parts"),
        # rosettes cast on the day they are used: usable the next working day
        (Plan(loads=(POUR, PIPE, FINISH, *(replace(cast, day=FRI) for cast in CASTS))), "parts"),
    ],
)
def test_a_load_moved_or_left_out_is_found(plan: Plan, rule: str) -> None:
    """One change to the sound plan breaks the rule that stands beside it."""
    assert rule in rules(plan)


@pytest.mark.parametrize(
    ("more", "rule"),
    [
        # pot A takes two loads a day: the third
        ([load(POT, THU, "pour", 1), load(POT, THU, "pour", 1)], "quota"),
        # 26 x 150 / 0.97 = 4,020.62 g in a pot of 4,000 g
        ([load(POT, date(2026, 3, 4), "pour", 26)], "size"),
        # 13 candles from a bowl for 12
        ([load(BOWL, date(2026, 3, 9), "pipe", 13)], "size"),
        # 121 finishes x 3 minutes = 363 of 360 minutes
        ([load(BENCH, date(2026, 3, 11), "finish", 121)], "minutes"),
        # a fern tin's step in the cups' bowl of moss
        ([load(BOWL, FRI, "pipe", 1, sku=Sku("FRN", "RG"))], "peg"),
        # 13 cups finished where 12 are asked for
        ([load(BENCH, NEXT_FRI, "finish", 1)], "cover"),
        # nobody is called B
        ([load(POT, date(2026, 3, 4), "pour", 1, key="B")], "peg"),
        # a step the recipe does not know
        ([load(POT, date(2026, 3, 4), "dip", 1)], "step"),
        # less than nothing
        ([load(POT, date(2026, 3, 4), "pour", -1)], "pieces"),
        # poured in pot B, where no base belongs
        ([load(Work("POT-B", Sku("BASE", "RG")), date(2026, 3, 4), "pour", 1)], "content"),
    ],
)
def test_a_load_too_many_is_found(more: list[Load], rule: str) -> None:
    """One more load breaks the rule that stands beside it."""
    assert rule in rules(Plan(loads=(*SOUND.loads, *more)))


def test_25_cups_fill_the_pot_and_26_are_too_many() -> None:
    """3,750 / 0.97 = 3,865.98 g fit into 4,000 g; 3,900 / 0.97 = 4,020.62 g do not."""
    fits, bursts = (Plan(loads=(load(POT, THU, "pour", n),)) for n in (25, 26))

    assert ("size" in rules(fits), "size" in rules(bursts)) == (False, True)


def test_two_scents_in_one_pot_are_found() -> None:
    """Rain garden and cedar frame can't be melted together."""
    cedar = Portion("A", Sku("SUC", "CF"), "pour", 1)

    assert "content" in rules(Plan(loads=(replace(POUR, portions=(*POUR.portions, cedar)),)))


def test_120_finishes_are_a_full_day_and_minutes_that_are_not_counted_never_bind() -> None:
    """120 x 3 = 360 minutes; a day without a figure for these hands has no limit."""
    full = Plan(loads=(load(BENCH, FRI, "finish", 120),))
    uncounted = replace(SHOP, calendar=Calendar(week=dict.fromkeys(range(5), Day(kind=DayKind.WORK))))

    assert "minutes" not in rules(full)
    assert "minutes" not in rules(Plan(loads=(load(BENCH, FRI, "finish", 500),)), uncounted)


def test_stock_by_its_date_covers_parts_and_picks() -> None:
    """12 rosettes on hand on Fri 6 replace the casts; from Sat 7 they come too late for Fri."""
    in_time, late = ((OnHand(sku=ROSETTE, usable_on=day, quantity=Fraction(12)),) for day in (FRI, date(2026, 3, 7)))

    assert rules(without(*CASTS), stock=in_time) == set()
    assert rules(without(*CASTS), stock=late) == {"parts"}


@pytest.mark.parametrize(
    ("pick", "found"),
    [
        (Pick("A", SUC, 12, FRI), set()),
        # one more than there is
        (Pick("A", SUC, 13, FRI), {"stock", "cover"}),
        # a day before they may be sold
        (Pick("A", SUC, 12, THU), {"stock"}),
        # another product than asked for
        (Pick("A", Sku("PEB", "RG"), 12, FRI), {"stock", "peg"}),
        # for nobody
        (Pick("B", SUC, 12, FRI), {"peg", "cover"}),
    ],
)
def test_picks_stay_within_what_is_free_by_date(pick: Pick, found: set[str]) -> None:
    """Twelve finished cups may be sold from Fri 6 on."""
    stock = (OnHand(sku=SUC, usable_on=FRI, quantity=Fraction(12)),)

    assert rules(Plan(picks=(pick,)), stock=stock) == found


def test_what_is_done_is_history_but_uses_up_its_day() -> None:
    """A base poured and topped on one day can't be undone; a third load of pot A that day still can't be planned."""
    hasty = moved(POUR, FRI)
    history = Plan(loads=tuple(replace(one, done=True) for one in hasty.loads))
    two_poured = (replace(load(POT, FRI, "pour", 6), done=True),) * 2

    assert rules(history) == set()
    assert "quota" not in rules(Plan(loads=(*two_poured, replace(load(POT, FRI, "pour", 6), done=True))))
    assert "quota" in rules(Plan(loads=(*two_poured, load(POT, FRI, "pour", 6))))


def test_rejects_must_be_poured_again() -> None:
    """12 poured, 10 good, 12 to be topped: 2 would be topped without a base."""
    poured = replace(POUR, done=True, portions=(POUR.portions[0]._replace(good=10),))

    assert {"order", "cover"} <= rules(Plan(loads=(*without(POUR).loads, poured)))


def test_a_promise_the_plan_cannot_keep_is_an_alarm_not_a_refusal() -> None:
    """Promised for Fri 13, leaves Mon 16."""
    late = check(SHOP, SOUND, [replace(CUPS, promised=NEXT_FRI)], [])

    assert [(breach.kind, breach.rule, breach.where) for breach in late] == [("promise", "promised", "A")]
    assert "leaves Mon 16 Mar, promised was Fri 13 Mar" in late[0].message


def test_work_nobody_did_is_an_alarm_the_next_day() -> None:
    """On Fri 6 the loads of Thu 5 are overdue; done ones are not."""
    assert rules(SOUND, first_day=FRI) == {"overdue"}
    assert rules(done(POUR), stock=(OnHand(sku=ROSETTE, usable_on=FRI, quantity=Fraction(12)),)) == set()


def test_a_base_poured_too_long_ago_is_told_and_left_to_the_maker() -> None:
    """Eight days between a base that was really poured and its topping: an alarm; a planned one is refused."""
    old = replace(POUR, day=date(2026, 2, 26))
    kinds = {
        finished: {
            b.kind for b in check(SHOP, Plan(loads=(*without(POUR).loads, replace(old, done=finished))), [CUPS], [])
        }
        for finished in (True, False)
    }

    assert kinds == {True: {"promise"}, False: {"physics"}}


def test_nothing_planned_for_a_demand_leaves_on_no_day_and_is_found() -> None:
    """An empty plan covers nobody."""
    assert leaving_day(SHOP, Plan(), CUPS) is None
    assert rules(Plan()) == {"cover"}


def test_a_cure_that_ends_on_a_sunday_leaves_on_monday() -> None:
    """Topped Thu 5: sellable Sun 15, leaves Mon 16."""
    assert leaving_day(SHOP, moved(PIPE, THU), CUPS) == LEAVES


def test_every_message_is_a_sentence() -> None:
    """A breach is read by people."""
    broken = Plan(loads=(POUR, load(POT, THU, "pour", 26), load(BENCH, date(2026, 3, 14), "finish", 500)))
    found: tuple[Breach, ...] = check(SHOP, broken, [replace(CUPS, promised=THU)], [], FRI)

    assert len(found) > 4
    assert all(breach.message.endswith(".") and breach.where for breach in found)


def lossy() -> Shop:
    """Mossgate's bench, where one of twenty pours is no good."""
    goods = SHOP.catalogue
    cups = goods.items["SUC"]
    assert cups.recipe
    steps = [replace(step, yield_share=D("0.95")) if step.code == "pour" else step for step in cups.recipe.operations]
    recipe = replace(cups.recipe, operations=tuple(steps))
    return replace(SHOP, catalogue=replace(goods, items={**goods.items, "SUC": replace(cups, recipe=recipe)}))


def test_a_piece_piped_before_it_is_poured_is_found_where_some_are_lost() -> None:
    """Of one piece poured 0.95 come good: less than a whole one, and still nothing else was piped."""
    one = mossgate.demand("SUC", 1)
    pour, pipe, finish = (
        load(POT, date(2026, 3, 9), "pour", 2), load(BOWL, FRI, "pipe", 1), load(BENCH, NEXT_FRI, "finish", 1)
    )  # fmt: skip
    hasty = Plan(loads=(*CASTS, pour, pipe, finish))
    sound = Plan(loads=(*CASTS, replace(pour, day=THU), pipe, finish))

    def found(plan: Plan) -> set[str]:
        return {breach.rule for breach in check(lossy(), plan, [one], [])}

    assert "wait_least" in found(hasty)
    assert "wait_least" not in found(sound)


def test_two_demands_of_one_name_are_found() -> None:
    """Six and six are asked for as "A", and six are made: they can't serve both."""
    twice = [replace(CUPS, pieces=6), replace(CUPS, pieces=6)]

    assert "peg" in {breach.rule for breach in check(SHOP, SOUND, twice, [])}


def test_a_promise_without_a_working_day_to_leave_on_is_an_alarm() -> None:
    """Closed for good after the last step: nothing can leave."""
    closed = replace(SHOP.calendar, week=dict.fromkeys(range(7), Day(kind=DayKind.CLOSED)), days={
        day: SHOP.calendar.day(day) for day in (THU, FRI, NEXT_FRI)
    })  # fmt: skip
    shut = replace(SHOP, calendar=closed)

    found = check(shut, SOUND, [replace(CUPS, promised=LEAVES)], [])
    assert [(breach.kind, breach.rule) for breach in found] == [("promise", "promised")]
    assert "no working day" in found[0].message


@pytest.mark.parametrize(
    ("shop", "words"),
    [
        (replace(SHOP, outages=(Outage(equipment="TRAY-R", count=1, first=date(2026, 3, 1)),)), "Rosette tray"),
        (replace(SHOP, calendar=replace(SHOP.calendar, week=dict.fromkeys(range(6), Day(
            kind=DayKind.WORK, minutes={"bench": 0})))), "'bench'"),
    ],
)  # fmt: skip
def test_what_waits_for_what_never_comes_back_is_an_alarm(shop: Shop, words: str) -> None:
    """The only rosette tray is broken for good, or nobody has a minute: nothing is planned, and that is told."""
    told = [breach for breach in check(shop, Plan(), [CUPS], []) if breach.rule == "waits"]
    assert [breach.kind for breach in told] == ["promise"]
    assert words in told[0].message


def test_stock_past_its_day_covers_nothing() -> None:
    """14 rosettes good up to Fri 6 cover the cups piped that day; good up to Thu 5 they don't. So with picked cups."""
    uncast, bought = without(*CASTS), Plan(picks=(Pick("A", SUC, 12, FRI),))
    for plan, sku, rule in ((uncast, ROSETTE, "parts"), (bought, SUC, "stock")):
        good, past = (
            (OnHand(sku=sku, usable_on=THU, quantity=Fraction(14), expires_on=until),) for until in (FRI, THU)
        )  # fmt: skip
        assert rules(plan, stock=good) == set()
        assert rules(plan, stock=past) == {rule}
