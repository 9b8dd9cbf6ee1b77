"""Changes of an alert in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from airwatch.alerts.lifecycle import ENGINE
from dashboards.measures import Measures


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One change in words; ``until`` ends a silence."""

    at: datetime
    recorded: datetime
    who: str
    is_by_readings: bool
    change: str
    state: str
    reason: str
    until: datetime | None


def history_row(change: Mapping[str, Any], measures: Measures) -> HistoryRow:
    """Write out one row of `airwatch.alerts.lifecycle.HISTORY`."""
    is_by_readings = change["who"] == ENGINE
    return HistoryRow(
        at=change["at"],
        recorded=change["recorded"],
        who=change["who"],
        is_by_readings=is_by_readings,
        change=change["change"],
        state=change["state"],
        reason=measures.sentence(change["reason"]) if is_by_readings else change["reason"],
        until=change["until"],
    )
