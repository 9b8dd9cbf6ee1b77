"""What is asked back, what may be insisted on, and what is taken."""

from datetime import timedelta
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.hand.lengths import UNITS_OF
from airwatch.hand.questions import Sifted, sift
from airwatch.hand.tables import shipped_tables
from tests.hand.made import INCH, NOW, entry, frame, units

ITEMS = shipped_tables().items
MEASURED = [item for item in ITEMS.values() if item.dimension != "finding"]
PLACES = {"wheel": "9L", "coupling": "single", "free": "any", "none": None}


def sifted(*rows: dict[str, Any], before: tuple[dict[str, Any], ...] = (), confirmed: tuple[str, ...] = ()) -> Sifted:
    return sift(frame(*rows), units=units(), before=frame(*before), now=NOW, confirmed=confirmed)


def asked(row: dict[str, Any], **known: Any) -> list[tuple[str, bool]]:
    return [(question.field, question.may_insist) for question in sifted(row, **known).questions]


def test_a_plain_entry_is_taken_as_it_was_typed() -> None:
    row = entry("stroke", 1.5, "in", position="2L")
    got = sifted(row)
    assert got.questions == ()
    assert got.accepted.to_dicts() == frame(row).to_dicts()
    assert sifted(row, confirmed=(row["id"],)).insisted == ()


@pytest.mark.parametrize(
    ("row", "field", "may_insist"),
    [
        (entry("stroke", 1.5, "in", position="2L", by=""), "by", False),
        (entry("stroke", 1.5, "in", position="2L", taken_at=NOW + timedelta(hours=1)), "taken_at", False),
        (entry("stroke", 1.5, "in", position="2L", taken_at=NOW - timedelta(days=400)), "taken_at", True),
        (entry("stroke", 1.5, "in", position="2L", unit="K-9"), "unit", True),
        (entry("pushrod", 1.5, "in", position="2L"), "item", False),
        (entry("stroke", 1.5, "in", position="left"), "position", False),
        (entry("stroke", 1.5, "in", position="0L"), "position", False),
        (entry("stroke", 1.5, "in", position="4L"), "position", True),
        (entry("leak_applied", 2.0, "psi/min"), "position", False),
        (entry("build_up", 20.0, "s", position="1L"), "position", False),
        (entry("stroke", 1.5, "psi", position="2L"), "measure", False),
        (entry("stroke", None, "in", position="2L"), "value", False),
        (entry("stroke", 44.0, "in", position="2L"), "value", False),
        (entry("stroke", 1.5, "mm", position="2L"), "value", True),
        (entry("governor_cut_out", 120.0, "kPa"), "value", True),
        (entry("governor_cut_out", 830.0, "psi"), "value", False),
        (entry("hose", finding="purple"), "finding", False),
        (entry("hose", 3.0, "mm", finding="ok"), "value", False),
        (entry("stroke", 1.5, "in", position="2L", finding="ok"), "finding", False),
    ],
)
def test_what_is_odd_is_asked_back(row: dict[str, Any], field: str, *, may_insist: bool) -> None:
    assert asked(row) == [(field, may_insist)]
    assert sifted(row).accepted.is_empty()
    insisted = sifted(row, confirmed=(row["id"],))
    assert insisted.accepted.height == may_insist
    assert insisted.insisted == ((row["id"],) if may_insist else ())


@pytest.mark.parametrize(
    ("row", "would_be"),
    [
        (entry("stroke", 1.75, "mm", position="2L"), "44.45 mm if it was read in in"),
        (entry("stroke", 44.0, "in", position="2L"), "44 mm if it was read in mm"),
        (entry("governor_cut_out", 120.0, "kPa"), "827.4 kPa if it was read in psi"),
        (entry("governor_cut_out", 830.0, "psi"), "830 kPa if it was read in kPa"),
        (entry("governor_cut_out", 8.3, "psi"), "830 kPa if it was read in bar"),
        (entry("lining_drum", 12.0, "in", position="2L"), "12 mm if it was read in mm"),
        (entry("build_up", 0.5, "s"), "30 s if it was read in min"),
    ],
)
def test_the_unit_that_was_meant_is_named(row: dict[str, Any], would_be: str) -> None:
    (question,) = sifted(row).questions
    assert would_be in question.would_be


@settings(deadline=None)
@given(st.data())
def test_a_usual_value_typed_with_another_unit_is_asked_back_and_its_own_named_unless_it_is_usual_there(
    data: st.DataObject,
) -> None:
    item = data.draw(st.sampled_from(MEASURED))
    assert item.usual is not None
    low, high = item.usual
    true = data.draw(st.floats(low * 1.001 + 1e-9, high * 0.999))
    names = UNITS_OF[item.dimension]
    meant, typed = data.draw(st.sampled_from(list(permutations(names, 2))))
    number = true / names[meant]
    row = entry(item.id, number, typed, position=PLACES[item.position], unit="K-9")
    about_value = [q for q in sifted(row, confirmed=()).questions if q.field == "value"]
    if low <= number * names[typed] <= high:
        assert about_value == []
    else:
        assert [any(text.endswith(f"in {meant}") for text in q.would_be) for q in about_value] == [True]


@settings(deadline=None)
@given(
    st.sampled_from([(item, unit) for item in MEASURED for unit in UNITS_OF[item.dimension]]),
    st.floats(allow_nan=True, allow_infinity=True),
)  # fmt: skip
def test_nobody_can_insist_on_what_is_not_possible(pick: tuple[Any, str], number: float) -> None:
    item, unit = pick
    row = entry(item.id, number, unit, position=PLACES[item.position])
    got = sifted(row, confirmed=(row["id"],))
    least, most = item.possible
    assert got.accepted.height == (least <= number * UNITS_OF[item.dimension][unit] <= most)


# Full stroke of a type 30 chamber : 2 1/2 in (trade press, a measured example; 49 CFR 571.121 table V).
@pytest.mark.parametrize(("inches", "n"), [(2.5, 0), (2.55, 0), (2.6, 1), (3.0, 1)])
def test_a_stroke_can_not_be_longer_than_the_chamber_lets_it(inches: float, n: int) -> None:
    row = entry("stroke", inches, "in", position="2L")
    got = sifted(row, confirmed=(row["id"],))
    assert len(got.questions) == n
    assert all("full stroke of a type 30 chamber, 63.5 mm" in question.asks for question in got.questions)


def test_an_entry_that_comes_twice_lands_once() -> None:
    row = entry("stroke", 1.5, "in", position="2L")
    got = sifted(row, row)
    assert (got.accepted.height, got.repeated.height, got.questions) == (1, 1, ())
    got = sifted(row, before=(row,))
    assert (got.accepted.height, got.repeated.height, got.questions) == (0, 1, ())


def test_an_id_stands_for_one_entry() -> None:
    row = entry("stroke", 1.5, "in", position="2L")
    other = {**row, "value": 1.75}
    assert asked(other, before=(row,)) == [("id", False)]
    assert sifted(other, before=(row,), confirmed=(row["id"],)).accepted.is_empty()


def test_the_same_measurement_under_two_ids_is_asked_back_within_minutes() -> None:
    row = entry("stroke", 1.5, "in", position="2L")
    again = {**row, "id": "b", "taken_at": row["taken_at"] + timedelta(minutes=2)}
    assert asked(again, before=(row,)) == [("id", True)]
    later = {**again, "taken_at": row["taken_at"] + timedelta(minutes=6)}
    assert asked(later, before=(row,)) == []
    assert [question.row for question in sifted(row, again).questions] == [1]


def test_right_and_left_can_not_be_told_apart() -> None:
    assert asked(entry("stroke", 1.5, "in", position="2L")) == asked(entry("stroke", 1.5, "in", position="2R")) == []


def test_inches_and_millimetres_are_the_same_entry_in_other_words() -> None:
    assert asked(entry("stroke", 1.5 * INCH, "mm", position="2L")) == []
