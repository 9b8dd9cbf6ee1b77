"""Times when a service tank was well below any threshold, the key was on, and no low-air warning came."""

import polars as pl

from airwatch.derive.frames import UNIT, seconds
from airwatch.derive.key import add_key
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import LowAir, shipped_tuning

_TANKS = ("primary_kpa", "secondary_kpa")


def missing_warnings(samples: pl.DataFrame, lamps: pl.DataFrame, tuning: LowAir | None = None) -> pl.DataFrame:
    """Find stretches below ``missing_kpa`` in which the warning was reported, and was never on.

    The key counts as on where the engine runs, where the key's events say so, and, without such events, in a run whose
    samples lack the warning at other times, as they do where it is sent with the key on only. Where nothing tells, a
    stretch with brake use is given without an interval, for somebody was in the cab, and any other not at all.

    Returns
    -------
    DataFrame
        ``run, start, end, value, lower, upper, check, state, note``; kPa. The value is the lowest pressure.
    """
    tuning = tuning or shipped_tuning().low_air
    warning = pl.col("low_air_warning")
    is_low = pl.any_horizontal((pl.col(name) < tuning.missing_kpa).fill_null(value=False) for name in _TANKS)
    row = samples.select((is_low & warning.is_not_null()).arg_true().alias("row"))["row"]
    below = samples.select(*UNIT, "run", "t", *_TANKS, "low_air_warning", "is_running", "is_braking")[row]
    of_run = (
        samples.select("run", "is_running", "low_air_warning", *_TANKS)
        .filter(pl.col("run").is_in(below["run"].unique().implode()))
        .group_by("run")
        .agg(
            *(pl.col(name).max().alias(f"{name}_max") for name in _TANKS),
            *(step_kpa(pl.col(name)).alias(f"{name}_step") for name in _TANKS),
            tells_key=(warning.is_null() & ~pl.col("is_running")).any(),
        )
    )
    is_known = pl.col("is_key_on").is_not_null()
    is_awake = pl.col("is_key_on") & (seconds(pl.col("t") - pl.col("key_since")) >= tuning.awake_s)
    surely = pl.lit(value=True)
    key = pl.when("is_running").then(surely).when(is_known).then(is_awake).when("tells_key").then(surely)
    # a sensor that never shows a pressure to drive with is broken or not fitted
    kpa = pl.min_horizontal(pl.when(pl.col(f"{name}_max") >= tuning.highest_kpa).then(pl.col(name)) for name in _TANKS)
    rows = (
        add_key(below, lamps)
        .join(of_run, on="run", how="left", maintain_order="left")
        .with_columns(key=key, kpa=kpa, step_kpa=pl.max_horizontal(f"{name}_step" for name in _TANKS))
        .filter(pl.col("key").fill_null(value=True) & (pl.col("kpa") < tuning.missing_kpa))
    )
    t, run = pl.col("t"), pl.col("run")
    breaks = (run != run.shift(1)) | (seconds(t - t.shift(1)) > tuning.longest_gap_s)
    stretches = (
        rows.with_columns(stretch=breaks.fill_null(value=True).cum_sum())
        .group_by("stretch", maintain_order=True)
        .agg(
            run=run.first(),
            start=t.first(),
            end=t.last(),
            value=pl.col("kpa").min(),
            error=tuning.error_steps * pl.col("step_kpa").first(),
            has_warned=(warning == 1).any(),
            is_known=pl.col("key").is_not_null().any(),
            was_braking=pl.col("is_braking").any(),
            n=pl.len(),
        )
        .filter(
            ~pl.col("has_warned")
            & (pl.col("is_known") | pl.col("was_braking"))
            & (pl.col("n") >= tuning.fewest_missing)
            & (seconds(pl.col("end") - pl.col("start")) >= tuning.shortest_missing_s)
        )
    )
    return stretches.select(
        "run",
        "start",
        "end",
        "value",
        lower=pl.when("is_known").then(0.0),
        upper=pl.when("is_known").then(pl.col("value") + pl.col("error")),
        check=pl.lit("low_air_warning"),
        state=pl.lit("missing"),
        note=pl.when("is_known")
        .then(pl.lit("no warning at this pressure with the key on: the warning point, if there is one, is lower"))
        .otherwise(pl.lit("no warning at this pressure, but nothing says that the key was on")),
    )
