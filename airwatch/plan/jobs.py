"""Alerts as jobs: which vehicle, how long, with what, and when its parts are here. Pure."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import msgspec
import polars as pl

from airwatch.alerts.frames import ALERTS, is_of_trailer
from airwatch.derive.frames import require
from airwatch.plan.faults import FaultWork, shipped_fault_work
from airwatch.plan.frames import JOBS
from airwatch.plan.shop import Shop, campaign_of

TO_PLAN = ("open", "acknowledged", "planned")
"""States of alerts that ask for work."""


def jobs_of(
    alerts: pl.DataFrame,
    shop: Shop,
    begin: datetime,
    *,
    parts_here: Mapping[str, datetime] | None = None,
    work: FaultWork | None = None,
) -> pl.DataFrame:
    """Make jobs of the alerts that ask for work.

    Parts that are not on the shelf count as ordered at ``begin``, unless it is known when they come.

    Parameters
    ----------
    alerts : DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`.
    shop : Shop
        Whose campaigns give due dates.
    begin : datetime
        The plan's begin, UTC without a zone.
    parts_here : mapping, optional
        By alert when the last of its parts is here.
    work : FaultWork, optional
        The shipped table by default.

    Returns
    -------
    DataFrame
        Columns as `JOBS`, sorted by fleet, vehicle and fault.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    PlanError
        A fault is not in the table of work.
    """
    require(alerts, ALERTS, "jobs_of")
    table = work or shipped_fault_work()
    rows = [
        _job(row, shop, begin, parts_here or {}, table)
        for row in alerts.filter(pl.col("state").is_in(TO_PLAN)).iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=JOBS).sort("fleet", "vehicle", "fault", "job")


def vehicle_of(alert: Mapping[str, Any]) -> str:
    """Give the vehicle that must come in: the trailer, where the fault lies in one that is named."""
    return str(alert["trailer"] if is_of_trailer(alert) else alert["unit"])


def beyond_since(alert: Mapping[str, Any]) -> datetime | None:
    """Give since when the limit is crossed in measured fact, None if it is not, or nothing is stored of it."""
    try:
        details = msgspec.json.decode(alert["details"])
        since = details.get("beyond_since") if isinstance(details, dict) else None
        return None if since is None else datetime.fromisoformat(since).replace(tzinfo=None)
    except (msgspec.DecodeError, ValueError, TypeError):
        return None


def _job(
    row: dict[str, Any], shop: Shop, begin: datetime, parts_here: Mapping[str, datetime], table: FaultWork
) -> dict[str, object]:
    work = table.of(row["fault"])
    waited_for = [part for part in work.parts if part.lead_days > 0]
    here = parts_here.get(row["id"])
    if here is None and waited_for:
        here = begin + timedelta(days=max(part.lead_days for part in waited_for))
    due = campaign_of(shop, row["fleet"], begin)
    return {
        "job": row["id"],
        "fleet": row["fleet"],
        "vehicle": vehicle_of(row),
        "fault": row["fault"],
        "severity": row["severity"],
        "opened": row["opened"],
        "updated": row["updated"],
        "is_beyond": beyond_since(row) is not None,
        "crossing_early": row["crossing_early"],
        "crossing_likely": row["crossing_likely"],
        "crossing_late": row["crossing_late"],
        "work_h": work.work_h,
        "skills": list(work.skills),
        "equipment": list(work.equipment),
        "parts_here": here if here is not None and here > begin else None,
        "parts": ", ".join(part.name for part in waited_for) or None,
        "due": None if due is None else due[0],
        "due_for": None if due is None else due[1],
        "summary": row["summary"],
    }
