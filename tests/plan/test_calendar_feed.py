"""The calendar feed, read back: what RFC 5545 asks of it, and what calendars need to follow changes."""

from datetime import UTC, timedelta

import polars as pl
from icalendar import Calendar, Event

from airwatch.plan.calendar_feed import calendar_feed, uid_of
from airwatch.plan.orders import ORDER_CHANGES, Deed, current_orders, deed_done, orders_after
from tests.plan.orders import visit, visits
from tests.plan.small import BEGIN, MORNING, NOON

NONE = pl.DataFrame(schema=ORDER_CHANGES)


def planned(before: pl.DataFrame, new: pl.DataFrame, plan: int) -> pl.DataFrame:
    recorded = BEGIN + timedelta(minutes=plan)
    changes = orders_after(current_orders(before), new, plan=plan, shop="ridge", who="R. Okafor", recorded=recorded)
    return pl.concat([before, changes])


FIRST = planned(NONE, visits(visit(0, "K-1", ["a", "b"]), visit(1, "K-2; the long one, \n spare", ["c"], NOON)), 1)


def events(changes: pl.DataFrame) -> dict[str, Event]:
    feed = calendar_feed(current_orders(changes), "ridge")
    return {str(event["UID"]): event for event in Calendar.from_ical(feed).walk("VEVENT")}


def test_the_feed_has_what_the_standard_requires() -> None:
    """RFC 5545: 3.6 (PRODID and VERSION once each), 3.6.1 (UID and DTSTAMP once; DTEND after DTSTART), 3.1 (lines)."""
    feed = calendar_feed(current_orders(FIRST), "ridge")
    calendar = Calendar.from_ical(feed)
    assert (calendar["VERSION"], calendar["METHOD"]) == ("2.0", "PUBLISH")
    assert calendar["PRODID"]
    assert not calendar.errors
    found = calendar.walk("VEVENT")
    assert len(found) == 2
    for event in found:
        assert not event.errors
        for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "STATUS", "SUMMARY"):
            assert not isinstance(event[name], list)
        assert event["DTSTART"].dt < event["DTEND"].dt
        assert all(event[name].dt.tzinfo is not None for name in ("DTSTART", "DTEND", "DTSTAMP"))
    assert all(len(line) <= 75 for line in feed.split(b"\r\n"))
    assert b"\n" not in feed.replace(b"\r\n", b"")
    assert feed.startswith(b"BEGIN:VCALENDAR\r\n")
    assert feed.endswith(b"END:VCALENDAR\r\n")


def test_times_places_and_odd_names_come_back_as_they_were() -> None:
    event = next(one for one in events(FIRST).values() if "K-2" in one["SUMMARY"])
    assert event["SUMMARY"] == "K-2; the long one, \n spare: brake work, bay 1 (planned)"
    assert event["DTSTART"].dt == NOON.replace(tzinfo=UTC)
    assert event["DTEND"].dt == NOON.replace(tzinfo=UTC) + timedelta(hours=2)
    assert event["LOCATION"] == "bay 1"
    assert event["STATUS"] == "CONFIRMED"


def test_a_move_keeps_the_uid_and_raises_the_sequence() -> None:
    moved = planned(
        FIRST, visits(visit(0, "K-1", ["a", "b"], NOON, "bay 2"), visit(1, FIRST["vehicle"][1], ["c"], NOON)), 2
    )
    before, after = events(FIRST), events(moved)
    assert before.keys() == after.keys()
    uid = uid_of(FIRST["work_order"][0])
    assert (before[uid]["SEQUENCE"], after[uid]["SEQUENCE"]) == (0, 1)
    assert after[uid]["DTSTAMP"].dt > before[uid]["DTSTAMP"].dt
    assert (before[uid]["DTSTART"].dt, after[uid]["DTSTART"].dt) == (
        MORNING.replace(tzinfo=UTC),
        NOON.replace(tzinfo=UTC),
    )


def test_a_cancelled_order_stays_as_a_cancelled_event() -> None:
    order = FIRST["work_order"][0]
    gone = deed_done(current_orders(FIRST), Deed(order, "cancelled", "M. Lindqvist", NOON, "unit sold"), BEGIN)
    event = events(pl.concat([FIRST, gone]))[uid_of(order)]
    assert (event["STATUS"], event["SEQUENCE"], event["TRANSP"]) == ("CANCELLED", 1, "TRANSPARENT")
    assert "unit sold" in event["DESCRIPTION"]


def test_the_same_orders_give_the_same_bytes_and_other_shops_are_left_out() -> None:
    orders = current_orders(FIRST)
    assert calendar_feed(orders, "ridge") == calendar_feed(orders.reverse(), "ridge")
    assert Calendar.from_ical(calendar_feed(orders, "quay")).walk("VEVENT") == []
