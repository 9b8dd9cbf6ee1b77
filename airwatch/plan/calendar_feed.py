"""Work orders as a calendar feed that any calendar can subscribe to (RFC 5545). Pure."""

from datetime import UTC
from importlib.metadata import version
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import polars as pl
from icalendar import Calendar, Event

from airwatch.derive.frames import require
from airwatch.plan.orders import ORDER_CHANGES

_STATUS = {"planned": "CONFIRMED", "in_work": "CONFIRMED", "done": "CONFIRMED", "cancelled": "CANCELLED"}


def calendar_feed(orders: pl.DataFrame, shop: str) -> bytes:
    """Write the work orders of a shop as one calendar.

    An order keeps its UID through all changes and its SEQUENCE rises with each, so that a calendar that has it
    moves the event in place of adding one; a cancelled order stays in the feed as a cancelled event, for else calendars
    would keep it (RFC 5545, 3.8.1.11, 3.8.4.7, 3.8.7.4). DTSTAMP is when the change was written down: the same
    orders give the same bytes.

    Parameters
    ----------
    orders : DataFrame
        As `airwatch.plan.orders.current_orders` gives them.
    shop : str
        Whose; others are left out.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(orders, ORDER_CHANGES, "calendar_feed")
    calendar = Calendar()
    calendar.add("prodid", f"-//airwatch//airwatch {version('airwatch')}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("name", f"Brake work, {shop}")  # RFC 7986, 5.1
    for order in orders.filter(shop=shop).sort("start", "work_order").iter_rows(named=True):
        calendar.add_component(_event(order))
    feed: bytes = calendar.to_ical()
    return feed


def uid_of(work_order: str) -> str:
    """Give the UID of a work order's event, the same for ever."""
    return f"{uuid5(NAMESPACE_URL, f'airwatch:work-order:{work_order}')}"


def _event(order: dict[str, Any]) -> Event:
    stamp = order["recorded"].replace(tzinfo=UTC, microsecond=0)
    state = order["state"].replace("_", " ")
    event = Event()
    event.add("uid", uid_of(order["work_order"]))
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    event.add("dtstart", order["start"].replace(tzinfo=UTC, microsecond=0))
    event.add("dtend", order["end"].replace(tzinfo=UTC, microsecond=0))
    event.add("sequence", order["sequence"])
    event.add("status", _STATUS[order["state"]])
    event.add("transp", "OPAQUE" if order["state"] != "cancelled" else "TRANSPARENT")
    event.add("summary", f"{order['vehicle']}: brake work, {order['bay']} ({state})")
    event.add("location", order["bay"])
    event.add("categories", ["brake work", order["fleet"]])
    lines = [
        f"Work order {order['work_order']}, fleet {order['fleet']}.",
        f"Alerts: {', '.join(order['jobs'])}.",
        f"Who: {', '.join(order['people']) or '-'}.",
        f"{order['change'].replace('_', ' ')} by {order['who']}: {order['reason']}",
        "Chock the wheels and drain stored air before anyone works on brakes.",
    ]
    event.add("description", "\n".join(lines))
    return event
