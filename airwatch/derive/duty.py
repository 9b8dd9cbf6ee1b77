"""`compressor_duty`: the share of engine-on time in which the compressor is loaded."""

import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require, seconds
from airwatch.derive.tuning import Duty, shipped_tuning
from airwatch.derive.turns import TURNS


def duty_readings(
    samples: pl.DataFrame, turns: pl.DataFrame, runs: pl.DataFrame, tuning: Duty | None = None
) -> pl.DataFrame:
    """Give one reading for each run that has enough engine-on time and whole governor cycles.

    Where the vehicle reports ``compressor_loaded`` that is used. Else the compressor is loaded from the start of the
    first rise to the first cut-out, from each cut-in to the next cut-out, and from a last cut-in to the end of
    engine-on time. The interval is one sample spacing at each change of state.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    turns : DataFrame
        Columns as `airwatch.derive.turns.TURNS`.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; per cent.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "duty_readings")
    require(turns, TURNS, "duty_readings")
    tuning = tuning or shipped_tuning().duty
    state = pl.when(pl.col("kind") == "cut_in").then(1).otherwise(0).cast(pl.Int8)
    marked = samples.join_asof(
        turns.select("run", "t", inferred=state), on="t", by="run", strategy="backward", check_sortedness=False
    )
    before = pl.col("system_low_t").is_not_null() & (pl.col("t") >= pl.col("system_low_t"))
    first = turns.group_by("run").agg(first_turn=pl.col("t").first(), first_kind=pl.col("kind").first())
    low = _first_low(samples, first)
    marked = marked.join(low, on="run", how="left", maintain_order="left").with_columns(
        loaded=pl.coalesce("compressor_loaded", "inferred", pl.when(before).then(1).otherwise(0)) == 1,
        reported=pl.col("compressor_loaded").is_not_null(),
    )
    span_s = seconds(pl.col("t").shift(-1).over("run") - pl.col("t")).fill_null(0.0)
    totals = (
        marked.with_columns(span_s=pl.when(pl.col("is_running")).then(span_s).otherwise(0.0))
        .group_by("run", maintain_order=True)
        .agg(
            on_s=pl.col("span_s").sum(),
            loaded_s=pl.col("span_s").filter(pl.col("loaded")).sum(),
            spacing_s=pl.col("span_s").filter(pl.col("span_s") > 0).median(),
            n_changes=(pl.col("loaded") != pl.col("loaded").shift(1)).sum(),
            reported=pl.col("reported").any(),
            start=pl.col("t").filter(pl.col("is_running")).min(),
            end=pl.col("t").filter(pl.col("is_running")).max(),
        )
        .join(_differential(turns), on="run", how="left")
    )
    enough = (pl.col("n_cut_outs").fill_null(0) >= tuning.fewest_cut_outs) | (
        pl.col("reported") & (pl.col("n_changes") >= 2 * tuning.fewest_cut_outs)
    )
    # a state seen from rounded pressure changes up to half a step late or early, at both ends of each pump-up
    rounding_s = pl.when(~pl.col("reported")).then(pl.col("loaded_s") * pl.col("step_share")).fill_null(0.0)
    half_s = pl.col("n_changes") * pl.col("spacing_s") / 2 + rounding_s
    return (
        totals.filter((pl.col("on_s") >= tuning.shortest_engine_on_s) & enough)
        .join(runs, on="run")
        .with_columns(value=100 * pl.col("loaded_s") / pl.col("on_s"), half=100 * half_s / pl.col("on_s"))
        .select(
            *UNIT,
            "trailer",
            circuit=pl.lit(None, pl.String),
            check=pl.lit("compressor_duty"),
            start="start",
            end="end",
            value="value",
            lower=(pl.col("value") - pl.col("half")).clip(lower_bound=0.0),
            upper=(pl.col("value") + pl.col("half")).clip(upper_bound=100.0),
            measure=pl.lit("%"),
            note=pl.format(
                "{} h engine on, {} cut-outs", (pl.col("on_s") / 3600).round(1), pl.col("n_cut_outs").fill_null(0)
            ),
            run_start="run_start",
        )
        .pipe(as_measured)
    )


def _differential(turns: pl.DataFrame) -> pl.DataFrame:
    """Give ``run, n_cut_outs, step_share``: the sensor step as a share of the governor's differential."""
    is_out = pl.col("kind") == "cut_out"
    span = pl.col("system_kpa").filter(is_out).mean() - pl.col("system_kpa").filter(~is_out).mean()
    return turns.group_by("run").agg(n_cut_outs=is_out.sum(), step_share=pl.col("step_kpa").max() / span)


def _first_low(samples: pl.DataFrame, first: pl.DataFrame) -> pl.DataFrame:
    """Give ``run, system_low_t``: where the rise to the first cut-out began, for runs that begin with one."""
    lowest = pl.min_horizontal("supply_kpa", "primary_kpa", "secondary_kpa")
    return (
        samples.join(first.filter(first_kind="cut_out"), on="run", how="inner", maintain_order="left")
        .filter((pl.col("t") <= pl.col("first_turn")) & pl.col("is_running"))
        .with_columns(low=lowest)
        .drop_nulls("low")
        .group_by("run", maintain_order=True)
        .agg(system_low_t=pl.col("t").filter(pl.col("low") == pl.col("low").min()).last())
    )
