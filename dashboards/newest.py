"""The newest of each kind of reading."""

import polars as pl

KIND = ("check", "test", "circuit", "part")
"""Readings that agree in these measure the same thing again."""


def newest_of_each(readings: pl.DataFrame) -> pl.DataFrame:
    """Keep, of one unit's readings, the newest of each kind, sorted by kind.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`.
    """
    return (
        readings.sort("end", "start", descending=True)
        .unique(KIND, keep="first", maintain_order=True)
        .sort(*KIND, nulls_last=True)
    )
