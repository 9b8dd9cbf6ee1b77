"""Small plans, written out job by job."""

from datetime import datetime, timedelta
from typing import Any

import msgspec
import polars as pl

from airwatch.plan.frames import APPOINTMENTS, JOBS, PLACES, UNIT_TIMES
from airwatch.plan.problem import Given
from airwatch.plan.settings import PlanSettings, shipped_settings
from airwatch.plan.shop import DAYS, Bay, Person, Shop, slots

MONDAY = datetime.fromisoformat("2031-03-03")
BEGIN = MONDAY + timedelta(hours=6)
MORNING, NOON = MONDAY + timedelta(hours=7), MONDAY + timedelta(hours=12, minutes=30)
ALWAYS = dict.fromkeys(DAYS, ("00:00-24:00",))


def day(k: float) -> datetime:
    """Give a time so many days after the first morning."""
    return MORNING + timedelta(days=k)


def job(name: str, vehicle: str | None = None, **other: object) -> dict[str, object]:
    """Give one job: 1 h of work on a vehicle of its own, beyond its limit, medium."""
    return {
        "job": name, "fleet": "north", "vehicle": vehicle or f"K-{name}", "fault": "leak_primary", "severity": "medium",
        "opened": BEGIN - timedelta(days=1), "updated": BEGIN - timedelta(hours=1), "is_beyond": True,
        "crossing_early": None, "crossing_likely": None, "crossing_late": None, "work_h": 1.0, "skills": [],
        "equipment": [], "parts_here": None, "parts": None, "due": None, "due_for": None, "summary": "leaks",
    } | other  # fmt: skip


def shop(**other: Any) -> Shop:
    """Give a shop of one bay and one person, open on weekdays from 7 to 12 and from 12:30 to 17."""
    hours = dict.fromkeys(DAYS[:5], ("07:00-12:00", "12:30-17:00"))
    usual = {
        "shop": "ridge",
        "time_zone": "UTC",
        "hours": hours,
        "bay": (Bay("bay 1"),),
        "person": (Person("R. Okafor"),),
    }
    return Shop(**usual | other)  # type: ignore[arg-type]


def given(*jobs: dict[str, object], at: Shop | None = None, days: int = 3, **other: Any) -> Given:
    """Give what a plan of some jobs is made from."""
    at = at or shop()
    usual = {
        "unit_times": pl.DataFrame(schema=UNIT_TIMES), "appointments": pl.DataFrame(schema=APPOINTMENTS),
        "pins": pl.DataFrame(schema=PLACES), "before": pl.DataFrame(schema=PLACES),
    }  # fmt: skip
    return Given(
        jobs=pl.DataFrame(list(jobs), schema=JOBS), shop=at, slots=slots(at, BEGIN, days), begin=BEGIN, **usual | other
    )


def places(*rows: tuple[str, str, datetime]) -> pl.DataFrame:
    """Give places of jobs."""
    return pl.DataFrame(list(rows), schema=PLACES, orient="row")


def times(*rows: tuple[str, datetime, datetime, str]) -> pl.DataFrame:
    """Give when vehicles are at home or away."""
    return pl.DataFrame([("north", *row) for row in rows], schema=UNIT_TIMES, orient="row")


def settings(*, disturbs: bool = True, **work: Any) -> PlanSettings:
    """Give the shipped weights, with no disturbance if that is to be left out, and other figures of work."""
    shipped = shipped_settings()
    quiet = msgspec.structs.replace(
        shipped.disturbance, a_visit=0.0, called_in_half_day=0.0, moved_job=0.0, moved_day=0.0
    )
    return msgspec.structs.replace(
        shipped,
        disturbance=shipped.disturbance if disturbs else quiet,
        work=msgspec.structs.replace(shipped.work, **work),
    )
