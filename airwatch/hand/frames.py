"""What an entry made by hand is, and what a judged one is."""

from dataclasses import dataclass

import polars as pl

from airwatch.contract.columns import TIME

ENTRIES = pl.Schema(
    {
        "id": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "taken_at": TIME,
        "by": pl.String(),
        "item": pl.String(),
        "position": pl.String(),
        "value": pl.Float64(),
        "measure": pl.String(),
        "finding": pl.String(),
        "note": pl.String(),
    }
)
"""One row an entry, as it was typed.

``id`` is made by whoever enters it, so that an entry sent twice lands once. ``taken_at`` is UTC. ``value`` is in
``measure``, null for a finding. ``position`` is null where the item has none. Nothing here is converted: what was
typed stays as it was typed.
"""

JUDGED = pl.Schema(
    {
        **ENTRIES,
        "canonical": pl.Float64(),
        "lower": pl.Float64(),
        "upper": pl.Float64(),
        "canonical_measure": pl.String(),
        "check": pl.String(),
        "limit_low": pl.Float64(),
        "limit_high": pl.Float64(),
        "rule": pl.String(),
        "verdict": pl.String(),
        "remark": pl.String(),
    }
)
"""An entry with its value in the unit of results, its 95 % interval, the limit that governs it, and a verdict."""


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel end: axle counted from the front of the unit, and side."""

    axle: int
    side: str

    @classmethod
    def parse(cls, position: str | None) -> "Wheel | None":
        """Read ``1L`` and its like; None where it is no wheel end."""
        if position is None or len(position) < 2 or position[-1] not in "LR":  # noqa: PLR2004 - a number and a side
            return None
        number = position[:-1]
        return cls(int(number), position[-1]) if number.isascii() and number.isdigit() and int(number) > 0 else None
