"""Readings against limits."""

import polars as pl

from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

REFERENCE_KPA = 690.0
"""Gauge pressure that leak rates of readings are referred to (100 psi)."""

TEST_FACTOR = ((pl.col("test_kpa") + ATMOSPHERE_KPA) / (REFERENCE_KPA + ATMOSPHERE_KPA)).fill_null(1.0)
"""From a leak rate at the reference pressure to the rate at a rule's ``test_kpa``; 1 where a rule has none."""

_GRAVITY = {"fail": 4, "unknown": 3, "watch": 2, "pass": 1}


def judge(readings: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Give each reading the limit that governs it, and a verdict.

    A value whose whole interval lies within the edges passes; one whose whole interval lies beyond an edge gets the
    row's ``breach``; one whose interval holds an edge is ``unknown``, except that an edge which could only say
    ``watch`` does not make a reading unknown. Of several limits the one with the gravest verdict governs, the earlier
    row of the table where they agree. A leak rate is judged at the rule's test pressure: by choked flow through one
    orifice it is proportional to absolute pressure.

    Parameters
    ----------
    readings : DataFrame, one row a reading
        ``check, value, lower, upper``; of the unit ``kind, rule_set`` and ``reservoir_ratio`` (actual / required
        volume, null where not known); ``is_combination`` bool, null where not known. Other columns are kept.
    limits : DataFrame
        As `airwatch.limits.table.limits_frame` lays it out.

    Returns
    -------
    DataFrame
        ``readings`` in their order with ``limit_low, limit_high, rule, verdict``. Without a limit that applies, edges
        and rule are null and the verdict is ``unknown``.
    """
    numbered = readings.with_row_index("_row")
    fits = (pl.col("coupling") == "any") | (
        (pl.col("coupling") == "combination") == pl.col("is_combination").fill_null(value=True)
    )
    factor = pl.when("is_scaled").then(pl.col("reservoir_ratio").fill_null(1.0)).otherwise(1.0)
    lower, upper = pl.col("lower") * TEST_FACTOR, pl.col("upper") * TEST_FACTOR
    low, high = pl.col("limit_low"), pl.col("limit_high")
    is_beyond = (lower > high).fill_null(value=False) | (upper < low).fill_null(value=False)
    is_within = (high.is_null() | (upper <= high)) & (low.is_null() | (lower >= low))
    has_interval = pl.col("lower").is_not_null() & pl.col("upper").is_not_null()
    verdict = (
        pl.when(~has_interval)
        .then(pl.lit("unknown"))
        .when(is_beyond)
        .then(pl.col("breach"))
        .when(is_within | (pl.col("breach") == "watch"))
        .then(pl.lit("pass"))
        .otherwise(pl.lit("unknown"))
    )
    judged = (
        numbered.join(limits, on=["rule_set", "check", "kind"], how="inner")
        .filter(fits)
        .with_columns(limit_low=pl.col("edge_low") * factor, limit_high=pl.col("edge_high") * factor)
        .with_columns(verdict=verdict)
        .with_columns(gravity=pl.col("verdict").replace_strict(_GRAVITY, return_dtype=pl.Int8))
        .sort("_row", "gravity", "rank", descending=[False, True, False])
        .unique("_row", keep="first", maintain_order=True)
        .select("_row", "limit_low", "limit_high", "rule", "verdict")
    )
    return (
        numbered.join(judged, on="_row", how="left", maintain_order="left")
        .with_columns(pl.col("verdict").fill_null("unknown"))
        .drop("_row")
    )


def as_judged(readings: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Give the figures that were held against each reading's rule.

    Parameters
    ----------
    readings : DataFrame
        Judged readings: ``value, lower, upper, rule``. Other columns are kept.
    limits : DataFrame
        As `airwatch.limits.table.limits_frame` lays it out.

    Returns
    -------
    DataFrame
        ``readings`` in their order with ``judged, judged_lower, judged_upper``: the same as value and interval, but
        for a leak rate at the test pressure of its rule.
    """
    factors = limits.select("rule", test_factor=TEST_FACTOR).unique("rule")
    factor = pl.col("test_factor").fill_null(1.0)
    return (
        readings.join(factors, on="rule", how="left", maintain_order="left")
        .with_columns(
            judged=pl.col("value") * factor,
            judged_lower=pl.col("lower") * factor,
            judged_upper=pl.col("upper") * factor,
        )
        .drop("test_factor")
    )
