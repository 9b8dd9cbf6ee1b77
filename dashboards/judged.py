"""Readings as their rule sees them, and the rules by name."""

from functools import cache

import polars as pl

from airwatch.derive.frames import READINGS, require
from airwatch.limits.judge import as_judged
from airwatch.limits.table import Limit, limits_frame, shipped_limits


@cache
def rules() -> dict[str, Limit]:
    """Give the shipped limits by id."""
    return {limit.id: limit for limit in shipped_limits()}


def with_judged(readings: pl.DataFrame) -> pl.DataFrame:
    """Add what is compared with ``limit_low`` and ``limit_high``.

    Returns
    -------
    DataFrame
        ``readings`` with ``judged, judged_lower, judged_upper`` in the reading's measure, and ``test_kpa``, the
        pressure that they are referred to (null where the value is judged as it is).

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(readings, READINGS, "with_judged")
    return judged(readings)


def judged(readings: pl.DataFrame) -> pl.DataFrame:
    """Do the same to any frame that has ``value, lower, upper, rule``."""
    tests = {id_: limit.test_kpa for id_, limit in rules().items() if limit.test_kpa is not None}
    return as_judged(readings, limits_frame(shipped_limits())).with_columns(
        test_kpa=pl.col("rule").replace_strict(tests, default=None, return_dtype=pl.Float64)
    )
