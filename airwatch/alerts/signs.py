"""First signs of air loss: holds beyond a limit, holds that stay too near it, and rates that move towards it."""

from datetime import timedelta

import polars as pl

from airwatch.alerts.frames import Z95
from airwatch.alerts.settings import Settings
from airwatch.alerts.trend import daily_levels, is_rising, last_days, of_days_over, trends
from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

LEAKS = ("leak_static", "leak_released", "leak_applied")
SIGNS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "check": pl.String(),
        "circuit": pl.String(),
        "kind": pl.String(),
        "end": TIME,
    }
)
"""One row a reading that completed a sign; ``kind`` is beyond, approaching, dropping or rising."""

_LINE = [*UNIT, "check", "circuit"]


def air_loss_signs(judged: pl.DataFrame, rising: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Find signs of air loss.

    Parameters
    ----------
    judged : DataFrame
        Readings as `airwatch.limits.judge.as_judged` gives them.
    rising : DataFrame
        Columns as `airwatch.alerts.trend.TRENDS`; the days of leak series with a clear trend.
    settings : Settings
        Thresholds.

    Returns
    -------
    DataFrame
        Columns as `SIGNS`, sorted by unit and end.
    """
    low_kpa_min = settings.patterns.disturbed_kpa_min
    holds = _numbered(
        judged.filter(
            pl.col("check").is_in(LEAKS)
            & pl.col("limit_high").is_not_null()
            & pl.col("value").is_between(low_kpa_min, settings.patterns.pumped_kpa_min)
        )
    )
    b, a = settings.beyond, settings.approaching
    beyond = holds.filter(pl.col("judged_lower") > pl.col("limit_high"))
    twice = _within(b.short_least, b.short_n)
    often = _within(b.long_least, b.long_n) & (_since(b.long_least) <= timedelta(days=b.long_days))
    near = holds.filter(pl.col("judged_lower") > a.share * pl.col("limit_high"))
    drops = _numbered(judged.filter(pl.col("check") == "supply_drop")).filter(
        (pl.col("lower") > settings.patterns.drop_kpa_min) | pl.col("part").is_not_null()
    )
    apart = (_since(a.least) >= timedelta(hours=a.apart_h)) & (_since(a.least) <= timedelta(days=a.within_days))
    parts = [
        beyond.filter(twice | often).with_columns(kind=pl.lit("beyond")),
        near.filter(_within(a.least, a.n) & apart).with_columns(kind=pl.lit("approaching")),
        drops.filter(_within(b.drop_least, b.drop_n)).with_columns(kind=pl.lit("dropping")),
        rising.with_columns(
            pl.col("series").str.split_exact("/", 1).struct.rename_fields(["check", "circuit"]).alias("_")
        ).unnest("_").with_columns(kind=pl.lit("rising")),
    ]  # fmt: skip
    return pl.concat([part.select(SIGNS.keys()).cast(SIGNS) for part in parts]).sort(*UNIT, "end", "kind")


def leak_trends(
    judged: pl.DataFrame, settings: Settings, shifts: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Fit the daily levels of leak rates of each state and tank.

    What a day did to all units of a kind (cold, a holiday's load) is taken off each unit's level.

    Parameters
    ----------
    judged : DataFrame
        Readings as `airwatch.limits.judge.as_judged` gives them.
    settings : Settings
        Thresholds.
    shifts : DataFrame
        ``fleet, unit, check, circuit, day, shift``, kPa/min.

    Returns
    -------
    tuple of DataFrame
        All trends, and those that rise clearly; columns as `airwatch.alerts.trend.TRENDS`. Then the daily levels, as
        `daily_levels` gives them. ``series`` is check and circuit with a slash between; rates in kPa/min at 690 kPa,
        limits referred to that too.
    """
    t, p = settings.trend, settings.patterns
    kept = judged.filter(
        pl.col("check").is_in([*LEAKS, "leak_running"])
        & (pl.col("upper") - pl.col("lower") < 4.0 * t.largest_sd_kpa_min)
        & pl.col("value").is_between(p.disturbed_kpa_min, p.pumped_kpa_min)
    ).with_columns(limit=pl.col("limit_high") * pl.col("value") / pl.col("judged"))
    usual = (
        pl.when(pl.col("check") != "leak_running")
        .then(0.0)
        .when(pl.col("circuit") == "primary")
        .then(p.running_usual_primary_kpa_min)
        .otherwise(p.running_usual_secondary_kpa_min)
    )
    parked = kept.filter(pl.col("check") == "leak_static").group_by(UNIT).agg(parked_limit=pl.col("limit").median())
    series = (
        kept.with_columns(day=pl.col("end").dt.date())
        .join(shifts, on=[*UNIT, "check", "circuit", "day"], how="left", maintain_order="left")
        .join(parked, on=UNIT, how="left", maintain_order="left")
        .with_columns(
            series=pl.concat_str("check", "circuit", separator="/"),
            y=pl.col("value") - usual - pl.col("shift").fill_null(0.0),
            limit=pl.coalesce("limit", "parked_limit"),
            floor=(t.floor_kpa_min**2 + ((pl.col("upper") - pl.col("lower")) / (2 * Z95)) ** 2).sqrt(),
        )
        .filter(pl.col("limit").is_not_null())
    )
    # a series that never came near half its least level can't have a trend worth a line
    high = pl.col("y").max().over(*UNIT, "series") > t.level_share * pl.col("limit")
    daily = daily_levels(series.filter(high), t)
    found = trends(daily, t)
    rising = found.filter(is_rising(t, rise_share=t.rise_share, level_share=t.level_share))
    return found, of_days_over(rising, last_days(judged)), daily


def _numbered(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.sort(*_LINE, "end").with_columns(k=pl.int_range(pl.len()).over(_LINE))


def _within(least: int, n: int) -> pl.Expr:
    """Tell whether a row and the ``least`` - 1 rows that are left before it lay among ``n`` readings in a row."""
    return (pl.col("k") - pl.col("k").shift(least - 1).over(_LINE) < n).fill_null(value=False)


def _since(least: int) -> pl.Expr:
    return pl.col("end") - pl.col("end").shift(least - 1).over(_LINE)
