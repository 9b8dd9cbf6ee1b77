"""What alerts are, and what is said of all of them in one way."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import Any

import polars as pl

from airwatch.alerts.settings import Quiet
from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

ALERTS = pl.Schema(
    {
        "id": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "trailer": pl.String(),
        "fault": pl.String(),
        "circuit": pl.String(),
        "severity": pl.String(),
        "confidence": pl.Float64(),
        "opened": TIME,
        "updated": TIME,
        "crossing_early": TIME,
        "crossing_likely": TIME,
        "crossing_late": TIME,
        "state": pl.String(),
        "summary": pl.String(),
        "details": pl.String(),
    }
)
"""One row an alert: the contract's columns, with the fleet, and ``details``: explanations and evidence as JSON."""

GRAVITY = {"low": 1, "medium": 2, "high": 3}
"""Severities by how grave they are."""

Z95 = 1.96
"""Half of a 95 % interval, in standard errors."""


def is_of_trailer(alert: Mapping[str, Any]) -> bool:
    """Tell whether an alert lies in a trailer that is named, so that any tractor may show it."""
    return alert["fault"] == "leak_trailer" and alert["trailer"] is not None


def of_alert(alert: Mapping[str, Any]) -> pl.Expr:
    """Keep the readings that are of an alert's unit, or of its trailer, whoever towed it."""
    name = "trailer" if is_of_trailer(alert) else "unit"
    return pl.col("fleet").eq(alert["fleet"]) & pl.col(name).eq(alert[name])


def by_unit(frame: pl.DataFrame) -> dict[tuple[str, str], pl.DataFrame]:
    """Split a frame by ``fleet, unit``."""
    return {(str(fleet), str(unit)): part for (fleet, unit), part in frame.group_by(UNIT, maintain_order=True)}


def utc_text(t: datetime | None) -> str | None:
    """Write a time that has no zone as the UTC that it is."""
    return None if t is None else f"{t.isoformat()}Z"


def not_seen(last: datetime, updated: datetime, n_since: int, what: str, quiet: Quiet) -> str | None:
    """Say that a fault is no longer seen, once enough readings did not show it; None before."""
    if n_since < quiet.readings or updated - last < timedelta(days=quiet.days):
        return None
    return f"not seen since {last:%d %b} in {n_since} {what}; say what was done"


def figure(value: float) -> str:
    """Write a figure with three places that count, and never with an exponent: pages turn it into other units."""
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:.0f}"  # noqa: PLR2004 - where an exponent begins


def alert_id(*parts: str) -> str:
    """Give the id of an alert: the same for the same fault, whenever it is computed."""
    return blake2b("/".join(parts).encode(), digest_size=8).hexdigest()
