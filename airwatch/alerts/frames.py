"""What alerts are."""

from hashlib import blake2b

import polars as pl

from airwatch.contract.columns import TIME

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


def figure(value: float) -> str:
    """Write a figure with three places that count, and never with an exponent: pages turn it into other units."""
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:.0f}"  # noqa: PLR2004 - where an exponent begins


def alert_id(*parts: str) -> str:
    """Give the id of an alert: the same for the same fault, whenever it is computed."""
    return blake2b("/".join(parts).encode(), digest_size=8).hexdigest()
