"""Readings against limits."""

import polars as pl

from airwatch.limits.table import ANY
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

REFERENCE_KPA = 690.0
"""Gauge pressure that leak rates of readings are referred to (100 psi)."""

TEST_FACTOR = ((pl.col("test_kpa") + ATMOSPHERE_KPA) / (REFERENCE_KPA + ATMOSPHERE_KPA)).fill_null(1.0)
"""From a leak rate at the reference pressure to the rate at a rule's ``test_kpa``; 1 where a rule has none."""

_BINDS = pl.col("breach") == "fail"

_GRAVITY = (
    pl.when(pl.col("verdict") == "fail").then(5)
    .when((pl.col("verdict") == "unknown") & _BINDS).then(4)
    .when(pl.col("verdict") == "watch").then(3)
    .when(pl.col("verdict") == "unknown").then(2)
    .otherwise(1)
    .cast(pl.Int8)
)  # fmt: skip

_GIVEN = ("limit_low", "limit_high", "rule", "verdict", "remark")


def judge(readings: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Give each reading the limit that governs it, and a verdict.

    The verdict follows the interval and never the point. By one limit, a reading whose whole interval lies within the
    edges passes; one whose whole interval lies beyond an edge gets the row's ``breach``; one whose interval holds an
    edge, or that has no interval, is ``unknown``. Of several limits the gravest word governs: fail; unknown by a limit
    that could say fail; watch; unknown by one that could only say watch; pass. So 'perhaps beyond the law' is not
    hidden behind a certain 'watch', and 'perhaps beyond what is usual' is not shown as within limits. What the
    governing limit leaves unsaid stands in ``remark``: that the limit that binds is kept, or that one to watch is
    crossed for certain.
    Among equals a limit that could say fail governs, then the earlier row of the table.

    What a rule says of other conditions than the reading's is reckoned so:

    * A leak rate is judged at the rule's test pressure: by choked flow through one orifice it is proportional to
      absolute pressure (see `as_judged`).
    * A rule's time at another engine speed has its edges multiplied by ``at_rpm / governed_rpm``, as readings are
      referred to governed speed and a compressor moves the same air with each turn.
    * An edge that grows with the reservoirs is multiplied by ``reservoir_ratio``, 1 where that is not known.
    * A low edge with a share of the cut-out is the lower of itself and that share of ``cut_out_kpa``, itself where that
      is not known.

    Parameters
    ----------
    readings : DataFrame, one row a reading
        ``check, value, lower, upper, test`` (null where the check has one test); of the unit ``kind, rule_set,
        governed_rpm`` in 1/min, ``cut_out_kpa`` the rated cut-out, gauge kPa, and ``reservoir_ratio`` (actual /
        required volume), the three null where not known; ``is_combination`` bool, null where not known and then taken
        as true. Other columns are kept.
    limits : DataFrame
        As `airwatch.limits.table.limits_frame` lays it out. A unit of a rule set that it lacks is held to the limits
        for any rule set, and ``remark`` says so.

    Returns
    -------
    DataFrame
        ``readings`` in their order with ``limit_low, limit_high, rule, verdict, remark``. Without a limit that applies,
        edges and rule are null and the verdict is ``unknown``.
    """
    known = limits["rule_set"].unique().to_list()
    numbered = readings.with_row_index("_row").with_columns(
        _set=pl.when(pl.col("rule_set").is_in(known)).then("rule_set").otherwise(pl.lit(ANY))
    )
    by_limit = _by_limit(numbered, limits)
    governing = by_limit.sort(
        "_row", "gravity", ~_BINDS, "rank", descending=[False, True, False, False], maintain_order=True
    ).unique("_row", keep="first", maintain_order=True)
    remarked = (
        numbered.select("_row", "rule_set", "_set")
        .join(governing, on="_row", how="left", maintain_order="left")
        .join(_left_unsaid(by_limit), on="_row", how="left", maintain_order="left")
        .with_columns(remark=_remark())
        .select("_row", *_GIVEN)
    )
    return (
        numbered.join(remarked, on="_row", how="left", maintain_order="left")
        .with_columns(pl.col("verdict").fill_null("unknown"))
        .drop("_row", "_set")
    )


def _by_limit(numbered: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Judge each reading by each limit that applies to it: one row a pair."""
    fits_coupling = (pl.col("coupling") == "any") | (
        pl.col("coupling") == pl.when(pl.col("is_combination").fill_null(value=True)).then(pl.lit("combination"))
        .otherwise(pl.lit("single"))
    )  # fmt: skip
    fits_test = pl.col("of_test").is_null() | (pl.col("of_test") == pl.col("test")).fill_null(value=False)
    at_speed = pl.when(pl.col("at_rpm").is_null()).then(1.0).otherwise(pl.col("at_rpm") / pl.col("governed_rpm"))
    factor = at_speed * pl.when("is_scaled").then(pl.col("reservoir_ratio").fill_null(1.0)).otherwise(1.0)
    lowered = pl.min_horizontal("edge_low", pl.col("share_of_cut_out") * pl.col("cut_out_kpa"))
    of_reading = ["_row", "check", "kind", "_set", "test", "lower", "upper"]
    of_unit = ["governed_rpm", "cut_out_kpa", "reservoir_ratio", "is_combination"]
    return (
        numbered.select(*of_reading, *of_unit)
        .join(limits, left_on=["_set", "check", "kind"], right_on=["rule_set", "check", "kind"], how="inner")
        .filter(fits_coupling & fits_test)
        .with_columns(can_refer=factor.is_not_null())
        .with_columns(limit_low=lowered * factor, limit_high=pl.col("edge_high") * factor)
        .with_columns(verdict=_verdict())
        .with_columns(gravity=_GRAVITY)
        .select(
            "_row", "rule", "breach", "rank", "gravity", "verdict", "limit_low", "limit_high", "can_refer",
            has_interval=_has_interval(), is_ratio_assumed=pl.col("is_scaled") & pl.col("reservoir_ratio").is_null(),
        )
    )  # fmt: skip


def _has_interval() -> pl.Expr:
    return pl.col("lower").is_not_null() & pl.col("upper").is_not_null()


def _verdict() -> pl.Expr:
    lower, upper = pl.col("lower") * TEST_FACTOR, pl.col("upper") * TEST_FACTOR
    low, high = pl.col("limit_low"), pl.col("limit_high")
    is_beyond = (lower > high).fill_null(value=False) | (upper < low).fill_null(value=False)
    is_within = (high.is_null() | (upper <= high)) & (low.is_null() | (lower >= low))
    return (
        pl.when(~_has_interval() | ~pl.col("can_refer"))
        .then(pl.lit("unknown"))
        .when(is_beyond)
        .then(pl.col("breach"))
        .when(is_within)
        .then(pl.lit("pass"))
        .otherwise(pl.lit("unknown"))
    )


def _left_unsaid(by_limit: pl.DataFrame) -> pl.DataFrame:
    """Give the first limit that binds and is kept, and the first one to watch that is crossed, of unsure readings."""
    unsure = by_limit.filter(((pl.col("verdict") == "unknown") & pl.col("has_interval")).any().over("_row"))
    return (
        unsure.sort("_row", "rank")
        .group_by("_row", maintain_order=True)
        .agg(
            kept=pl.col("rule").filter((pl.col("verdict") == "pass") & _BINDS).first(),
            crossed=pl.col("rule").filter(pl.col("verdict") == "watch").first(),
        )
    )


def _remark() -> pl.Expr:
    is_unknown = pl.col("verdict") == "unknown"
    parts = (
        pl.when(is_unknown & ~_BINDS & pl.col("kept").is_not_null()).then(
            pl.format("within {}, which binds", pl.col("kept"))
        ),
        pl.when(is_unknown & pl.col("crossed").is_not_null()).then(pl.format("beyond {}", pl.col("crossed"))),
        pl.when(~pl.col("can_refer")).then(
            pl.format("governed speed not known, so {} can't be held against it", pl.col("rule"))
        ),
        pl.when("is_ratio_assumed").then(
            pl.format("reservoirs taken as of the required volume for {}", pl.col("rule"))
        ),
        pl.when(pl.col("rule_set") != pl.col("_set")).then(
            pl.format("rule set {} is not in the limit table, only common practice applied", pl.col("rule_set"))
        ),
    )  # fmt: skip
    text = pl.concat_str(*parts, separator="; ", ignore_nulls=True)
    return pl.when(text != "").then(text)


def as_judged(readings: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Give the figures that were held against each reading's rule.

    Only test pressure is reckoned on the side of the figures. Engine speed, reservoirs and cut-out are on the side of
    the edges, so that ``limit_low`` and ``limit_high`` of a judged reading are comparable with these figures as they
    are, and nothing of the unit need be known here.

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
