"""Readings over days, for the small lines beside units."""

from datetime import datetime

import polars as pl

from airwatch.store.database import Store

DAILY = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "check": pl.String(),
        "day": pl.Date(),
        "value": pl.Float64(),
        "rule": pl.String(),
        "limit_low": pl.Float64(),
        "limit_high": pl.Float64(),
        "measure": pl.String(),
    }
)
WANTED = pl.Schema({name: pl.String() for name in ("fleet", "unit", "check", "circuit", "test", "part")})
"""Which readings; a circuit, test or part of null stands for all of them."""


def daily_medians(store: Store, wanted: pl.DataFrame, since: datetime) -> pl.DataFrame:
    """Give the median of each day of the wanted readings that ended since a time.

    Parameters
    ----------
    store : Store
        Where they are read from.
    wanted : DataFrame
        Columns as `WANTED`; a unit at most once.
    since : datetime
        UTC without a zone.

    Returns
    -------
    DataFrame
        Columns as `DAILY`, sorted by unit and day; values as stored, in their measure.
    """
    if wanted.is_empty():
        return pl.DataFrame(schema=DAILY)
    return store.frame(
        'SELECT r.fleet, r.unit, r."check", r."end"::DATE AS day, median(r.value) AS value, any_value(r.rule) AS rule,'
        " any_value(r.limit_low) AS limit_low, any_value(r.limit_high) AS limit_high, any_value(r.measure) AS measure"
        " FROM air.readings AS r"
        ' JOIN w ON r.fleet = w.fleet AND r.unit = w.unit AND r."check" = w."check"'
        ' WHERE r."end" >= $since AND r.value IS NOT NULL AND (w.circuit IS NULL OR r.circuit = w.circuit)'
        " AND (w.test IS NULL OR r.test = w.test) AND (w.part IS NULL OR r.part = w.part)"
        ' GROUP BY r.fleet, r.unit, r."check", r."end"::DATE ORDER BY r.fleet, r.unit, day',
        {"since": since},
        w=wanted.select(WANTED.keys()),
    ).cast(DAILY)
