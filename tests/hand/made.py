"""Entries and units that tests are made of."""

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from airwatch.hand.frames import ENTRIES
from airwatch.registry import SCHEMA

NOW = datetime(2031, 2, 3, 12, tzinfo=UTC).replace(tzinfo=None)
INCH = 25.4  # mm, exact: NIST SP 811 (2008), appendix B.6
PSI = 6.894757  # kPa, NIST SP 811 (2008), appendix B.8


def units(**known: Any) -> pl.DataFrame:
    """Give a registry of a tractor and a trailer, ten brakes in all; ``known`` changes the tractor."""
    tractor = {
        "unit": "K-1", "fleet": "north", "kind": "tractor", "axles": 3, "trailer_towing": True, "rule_set": "us",
        "governed_rpm": 2000.0, "cut_out_kpa": 895.0, "chambers": "1L:20;1R:20;2L:30;2R:30;3L:30;3R:30",
    }  # fmt: skip
    trailer = {
        "unit": "R-1", "fleet": "north", "kind": "trailer", "axles": 2, "rule_set": "us",
        "chambers": "1L:30L;1R:30L;2L:30L;2R:30L",
    }  # fmt: skip
    return pl.DataFrame([{**tractor, **known}, trailer], schema=SCHEMA)


def entry(item: str, value: float | None = None, measure: str | None = None, **known: Any) -> dict[str, Any]:
    """Make one entry of K-1, taken an hour before `NOW`."""
    row = {
        "id": f"{item}-{known.get('unit', '')}{known.get('position')}-{value}", "fleet": "north", "unit": "K-1",
        "taken_at": NOW - timedelta(hours=1), "by": "Ada", "item": item, "value": value, "measure": measure,
    }  # fmt: skip
    return {**row, **known}


def frame(*rows: dict[str, Any]) -> pl.DataFrame:
    """Make a frame of entries."""
    return pl.DataFrame(list(rows), schema=ENTRIES)
