"""Rows of alerts and work orders for tests."""

from datetime import datetime, timedelta

import msgspec
import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.plan.frames import VISITS
from tests.plan.small import BEGIN, MORNING

_PRIMARY = {
    "fault": "leak_primary", "circuit": "primary", "trailer": None, "probability": 0.8, "says": "primary falls alone",
    "inspect": "primary tank's drain and check valve",
    "evidence": [{"seen": "parked, 4 holds", "speaks": 2.0}, {"seen": "running, 1 hold", "speaks": -0.4}],
}  # fmt: skip
_APPLIED = {
    "fault": "leak_applied", "circuit": "primary", "trailer": None, "probability": 0.15, "says": "falls when held",
    "inspect": "rear chambers", "evidence": [],
}  # fmt: skip
_USE = {
    "fault": "none", "circuit": None, "trailer": None, "probability": 0.05, "says": "use of air", "inspect": "nothing",
    "evidence": [],
}  # fmt: skip
EXPLAINED = {"explanations": [_PRIMARY, _APPLIED, _USE], "beyond_since": "2031-03-01T08:00:00Z"}


def alert(id_: str, unit: str = "K-1", **other: object) -> dict[str, object]:
    """Give one alert: a primary leak beyond its limit."""
    return {
        "id": id_, "fleet": "north", "unit": unit, "trailer": None, "fault": "leak_primary", "circuit": "primary",
        "severity": "high", "confidence": 0.8, "opened": BEGIN - timedelta(days=2),
        "updated": BEGIN - timedelta(hours=3), "crossing_early": None, "crossing_likely": None, "crossing_late": None,
        "state": "open", "summary": "Primary tank leaks", "details": msgspec.json.encode(EXPLAINED).decode(),
    } | other  # fmt: skip


def alerts(*rows: dict[str, object]) -> pl.DataFrame:
    """Give a frame of alerts."""
    return pl.DataFrame(list(rows), schema=ALERTS)


def visit(
    number: int, vehicle: str, jobs: list[str], start: datetime = MORNING, bay: str = "bay 1"
) -> dict[str, object]:
    """Give one visit of a plan, two hours long."""
    return {
        "visit": number, "fleet": "north", "vehicle": vehicle, "jobs": jobs, "bay": bay, "slot": start, "start": start,
        "end": start + timedelta(hours=2), "work_h": 2.0, "people": ["R. Okafor"],
    }  # fmt: skip


def visits(*rows: dict[str, object]) -> pl.DataFrame:
    """Give a frame of visits."""
    return pl.DataFrame(list(rows), schema=VISITS)
