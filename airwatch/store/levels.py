"""A unit's samples by equal intervals: least and greatest of each, so that long histories are read once."""

from datetime import datetime

import polars as pl

from airwatch.store.database import Store
from airwatch.store.telemetry import unit_key

TANKS = ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa")
SPEEDS = ("engine_rpm", "speed_kph")
LEVELS = pl.Schema(
    {
        "begin_ms": pl.Int64(),
        "n": pl.Int64(),
        "first_ms": pl.Int64(),
        "last_ms": pl.Int64(),
        **{f"{name}_{end}": pl.Float32() for name in TANKS for end in ("min", "max")},
        **{f"{name}_max": pl.Float32() for name in SPEEDS},
    }
)
"""One row an interval that has samples: its begin, how many it has, when the first and last are (ms since 1970).

``n`` counts raw samples; of a time whose raw samples are no longer kept it is 0.
"""


def levels(
    store: Store, fleet: str, unit: str, *, step_ms: int, start: datetime | None, end: datetime | None = None
) -> pl.DataFrame:
    """Give the intervals of ``step_ms`` of one unit's samples from ``start`` (the first) to ``end`` (the last).

    Returns
    -------
    DataFrame
        Columns as `LEVELS`, sorted by ``begin_ms``.
    """
    tanks = ", ".join(f"min({c}_min) AS {c}_min, max({c}_max) AS {c}_max" for c in TANKS)
    speeds = ", ".join(f"max({c}_max) AS {c}_max" for c in SPEEDS)
    raw = ", ".join([*(f"{c} AS {c}_min, {c} AS {c}_max" for c in TANKS), *(f"{c} AS {c}_max" for c in SPEEDS)])
    old = ", ".join([*(f"{c}_min, {c}_max" for c in TANKS), *(f"{c}_max" for c in SPEEDS)])
    within = (
        "WHERE unit_key = $key AND t >= coalesce($start, '0001-01-01'::TIMESTAMP)::TIMESTAMP_MS"
        " AND t <= coalesce($end, '9999-12-31'::TIMESTAMP)::TIMESTAMP_MS"
    )
    return store.frame(
        f"SELECT epoch_ms(t) // $step * $step AS begin_ms, sum(n)::BIGINT AS n, min(epoch_ms(t)) AS first_ms,"
        f" max(epoch_ms(t)) AS last_ms, {tanks}, {speeds}"
        f" FROM (SELECT t, 1 AS n, {raw} FROM air.samples {within}"
        f" UNION ALL BY NAME SELECT t, 0 AS n, {old} FROM air.rollup {within})"
        " GROUP BY epoch_ms(t) // $step ORDER BY begin_ms",
        {"key": unit_key(fleet, unit), "step": step_ms, "start": start, "end": end},
    ).cast(LEVELS)
