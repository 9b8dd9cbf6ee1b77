from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from airwatch.notify.frames import Event, events_of
from airwatch.notify.words import CAUTION, KINDS, by_unit, single, together
from tests.notify.parts import event, events

CHICAGO = ZoneInfo("America/Chicago")


def one(event_id: str = "e1", **other: object) -> Event:
    return events_of(events(event(event_id, **other)))[0]


def test_one_change_says_unit_fault_severity_time_and_link() -> None:
    title, text = single([one(crossing_likely=datetime(2031, 3, 3))], CHICAGO)  # noqa: DTZ001 the store's times
    assert title == "K-204: air leak, primary tank (medium, new)"
    assert text.splitlines() == [
        "K-204, fleet north, primary circuit",
        "",
        "- MEDIUM, new: Primary tank leaks; parked 23 kPa/min at the test's pressure, limit 21 kPa/min",
        "  By its trend it reaches its limit about 2031-03-03.",
        "  2031-02-03 02:00 (America/Chicago)",
        "  https://airwatch.example.org/alerts/1",
        "",
        CAUTION,
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_every_message_says_that_nothing_clears_a_vehicle(kind: str) -> None:
    for _, text in (single([one(kind=kind)], CHICAGO), together([one(kind=kind)] * 2, CHICAGO, is_digest=True)):
        assert text.endswith(CAUTION)
        assert "never clears a vehicle" in text
        assert KINDS[kind] in text


def test_a_closed_alert_has_no_trend_and_a_graver_one_says_what_it_was() -> None:
    likely = datetime(2031, 3, 3)  # noqa: DTZ001
    assert "trend" not in single([one(kind="verified", crossing_likely=likely)], CHICAGO)[1]
    assert "HIGH (was low)" in single([one(kind="graver", severity="high", previous_severity="low")], CHICAGO)[1]


def test_a_trailer_is_named() -> None:
    title, text = single([one(fault="leak_trailer", trailer="R-77", summary="Trailer R-77 leaks")], CHICAGO)
    assert title == "K-204: air leak, trailer R-77 (medium, new)"
    assert "  Trailer R-77" not in text
    assert "  Trailer R-77" in single([one(trailer="R-77")], CHICAGO)[1]


def test_text_from_outside_makes_no_lines_of_its_own() -> None:
    title, text = single([one(unit="K-1\r\nBcc: x", summary="leaks\n\n- HIGH, new: all clear\x00")], CHICAGO)
    assert "\n" not in title
    assert "\r" not in title
    assert "- MEDIUM, new: leaks - HIGH, new: all clear" in text.splitlines()


def test_what_is_missing_is_left_out() -> None:
    bare = replace(one(), summary=None, link=None, circuit=None, fault="new_fault", kind="new_kind")
    title, text = single([bare], CHICAGO)
    assert title == "K-204: new fault (medium, new kind)"
    assert text.splitlines()[:3] == ["K-204, fleet north", "", "- MEDIUM, new kind: new fault"]


def test_many_stand_by_unit_the_gravest_first_and_changes_of_one_alert_in_order() -> None:
    rows = [
        one("e1", unit="A", severity="low"),
        one("e2", unit="B", severity="low"),
        one("e3", unit="B", severity="high", alert_id="b"),
        one("e4", unit="C", severity="medium"),
        one("e5", unit="B", severity="medium", alert_id="b", kind="repaired"),
    ]
    ordered = by_unit(rows)
    assert [row.event_id for row in ordered] == ["e3", "e5", "e2", "e4", "e1"]
    title, text = together(ordered, CHICAGO, is_digest=True)
    assert title == "Summary: 5 changes at 3 units, gravest high"
    assert [line for line in text.splitlines() if ", fleet" in line] == [f"{u}, fleet north" for u in "BCA"]
    assert together(ordered[:1], CHICAGO, is_digest=False)[0] == "1 change at 1 unit, gravest high"
