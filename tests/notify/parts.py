"""What tests of notification share: files, events, and an outbox that grows."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from airwatch.notify.config import NotifyConfig, parse_config
from airwatch.notify.frames import EVENTS, OUTBOX

FILE = Path("notify.toml")
NOTHING_SENT = pl.DataFrame(schema=OUTBOX)
MORNING = datetime(2031, 2, 3, 9, 0, tzinfo=UTC)  # a Monday


def config(text: str) -> NotifyConfig:
    """Check the text of a file."""
    return parse_config(text, FILE)


def person(more: str = "", *, name: str = "shop", role: str = "shop") -> str:
    """Write somebody with one channel and what else is given."""
    return f'[[person]]\nname = "{name}"\nrole = "{role}"\nchannels.hook = {{ url = "json://127.0.0.1:9" }}\n{more}\n'


def event(event_id: str = "e1", **other: object) -> dict[str, object]:
    """Give a row of `EVENTS`."""
    row: dict[str, object] = {
        "event_id": event_id,
        "alert_id": f"alert-{event_id}",
        "at": datetime(2031, 2, 3, 8, 0),  # noqa: DTZ001 the store's times have no zone
        "kind": "opened",
        "fleet": "north",
        "unit": "K-204",
        "trailer": None,
        "fault": "leak_primary",
        "circuit": "primary",
        "severity": "medium",
        "previous_severity": None,
        "summary": "Primary tank leaks; parked 23 kPa/min at the test's pressure, limit 21 kPa/min",
        "crossing_likely": None,
        "link": "https://airwatch.example.org/alerts/1",
    }
    return row | other


def events(*rows: dict[str, object]) -> pl.DataFrame:
    """Make a frame of events."""
    return pl.DataFrame(list(rows), schema=EVENTS)


def outbox(*rows: tuple[str, str, str, datetime, int]) -> pl.DataFrame:
    """Make an outbox of ``event_id, target, state, at, attempts``."""
    return pl.DataFrame(
        [(one, target, state, at.replace(tzinfo=None), None, attempts) for one, target, state, at, attempts in rows],
        schema=OUTBOX,
        orient="row",
    )
