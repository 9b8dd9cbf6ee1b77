"""The frames that notification works on: changes of alerts, and what became of each for each target."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

import polars as pl

from airwatch.alerts.frames import GRAVITY
from airwatch.contract.columns import TIME
from airwatch.errors import FrameError

EVENTS = pl.Schema(
    {
        "event_id": pl.String(),
        "alert_id": pl.String(),
        "at": TIME,
        "kind": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "trailer": pl.String(),
        "fault": pl.String(),
        "circuit": pl.String(),
        "severity": pl.String(),
        "previous_severity": pl.String(),
        "summary": pl.String(),
        "crossing_likely": TIME,
        "link": pl.String(),
    }
)
"""One row a change of an alert, in the order in which changes were written; times are UTC without a zone, data time."""

OUTBOX = pl.Schema(
    {
        "event_id": pl.String(),
        "target": pl.String(),
        "state": pl.String(),
        "at": TIME,
        "reason": pl.String(),
        "attempts": pl.Int64(),
    }
)
"""What became of an event for a target. Several rows of one event and target are its story: the last one holds.

``state`` is `sent`, `failed` (and tried again) or `held`. ``at`` is when it was sent, when it failed, or since when it
is held; ``reason`` says why it failed or what it waits for.
"""

OutboxState = Literal["sent", "failed", "held"]


@dataclass(frozen=True, slots=True)
class Event:
    """One row of `EVENTS`."""

    event_id: str
    alert_id: str
    at: datetime
    kind: str
    fleet: str
    unit: str
    trailer: str | None
    fault: str
    circuit: str | None
    severity: str
    previous_severity: str | None
    summary: str | None
    crossing_likely: datetime | None
    link: str | None

    @property
    def gravity(self) -> int:
        """How grave it is now: 1 low, 2 medium, 3 high."""
        return GRAVITY.get(self.severity, 1)

    @property
    def is_high(self) -> bool:
        """Whether it is of high severity."""
        return self.severity == "high"


def events_of(frame: pl.DataFrame) -> list[Event]:
    """Give the rows of a frame of events, the first of each id."""
    require(frame, EVENTS, "events")
    rows = frame.select(EVENTS.keys()).unique("event_id", keep="first", maintain_order=True)
    rows = rows.with_columns(
        pl.col("kind", "fleet", "unit", "fault").fill_null(""), pl.col("severity").fill_null("low")
    )
    return [Event(**row) for row in rows.iter_rows(named=True)]


def outbox_frame(rows: Iterable[dict[str, Any]]) -> pl.DataFrame:
    """Make a frame of outbox rows, whose times are aware."""
    naive = [{**row, "at": row["at"].astimezone(UTC).replace(tzinfo=None)} for row in rows]
    return pl.DataFrame(naive, schema=OUTBOX, orient="row")


def require(frame: pl.DataFrame, schema: pl.Schema, what: str) -> None:
    """Refuse a frame that lacks a column or has one of another dtype.

    Raises
    ------
    FrameError
        It does.
    """
    wrong = {name: frame.schema.get(name) for name, dtype in schema.items() if frame.schema.get(name) != dtype}
    if wrong:
        raise FrameError(f"{what} need {dict(schema)}; got {wrong}")
