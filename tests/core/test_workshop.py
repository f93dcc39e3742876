"""The table of settings: every row reads its default and refuses nonsense by name."""

from dataclasses import fields

import pytest

from wholesale.core.values import Refusal
from wholesale.core.workshop import SETTINGS, Setting, Workshop, read_workshop, setting

#: Rows in which any words may stand.
WORDS = [row for row in SETTINGS if row.allowed == "any text"]
RULES = [row for row in SETTINGS if row not in WORDS]


def test_the_table_and_the_values_have_the_same_names() -> None:
    """A row without a field, or a field without a row, would never be read."""
    assert [row.name for row in SETTINGS] == [field.name for field in fields(Workshop)]


@pytest.mark.parametrize("row", SETTINGS, ids=lambda row: row.name)
def test_each_setting_reads_its_default_and_says_what_it_is(row: Setting) -> None:
    """The default is one of the allowed values, and the sentence is one."""
    assert getattr(read_workshop({}), row.name) == row.value(row.default)
    assert row.sentence.endswith(".")


@pytest.mark.parametrize("row", RULES, ids=lambda row: row.name)
@pytest.mark.parametrize("found", ["perhaps", "-1", "1e99999", "NaN"])
def test_a_value_that_does_not_work_is_refused_by_name(row: Setting, found: str) -> None:
    """The message names the setting, what was found and what is allowed."""
    with pytest.raises(Refusal) as refused:
        read_workshop({row.name: found})

    assert (refused.value.code, refused.value.field) == ("setting", row.name)
    assert f"Setting '{row.name}' is '{found}'; allowed: " in refused.value.message


@pytest.mark.parametrize("row", [r for r in RULES if isinstance(r.allowed, tuple)], ids=lambda row: row.name)
def test_each_named_value_of_a_rule_is_read(row: Setting) -> None:
    """What the table offers is what works."""
    for value in row.allowed:
        assert getattr(read_workshop({row.name: value}), row.name) == value


@pytest.mark.parametrize("row", WORDS, ids=lambda row: row.name)
def test_words_are_kept_without_the_spaces_around_them(row: Setting) -> None:
    """A cell of a sheet often ends in a space."""
    assert getattr(read_workshop({row.name: " Fern & Co "}), row.name) == "Fern & Co"


def test_a_setting_there_is_none_of_lists_those_there_are() -> None:
    """The list helps to find the right name."""
    with pytest.raises(Refusal, match=r"no setting 'colour'.*tier_method"):
        setting("colour")


@pytest.mark.parametrize(
    ("name", "found"),
    [
        # ten years are 3,650 days; more may lead past the last date there is
        ("plan_days", "3651"),
        ("deposit_days", "1000000000"),
        ("net_days", "30.5"),
        # the workshop has one time zone, and no second one in its cut-off
        ("order_cut_off", "14:00+02:00"),
        ("order_cut_off", "25:00"),
        ("tax_percent", "100.01"),
        ("currency", "XAU"),
        # a rule is named exactly
        ("tier_method", "Whole_order"),
    ],
)
def test_a_value_at_the_edge_of_sense_is_refused(name: str, found: str) -> None:
    """Each would only fail later, in a promise or on an invoice."""
    with pytest.raises(Refusal, match=f"Setting '{name}'"):
        read_workshop({name: found})
