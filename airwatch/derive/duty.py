"""How much the compressor works: its duty, the governor's cycles, and what the brakes take of it."""

import numpy as np
import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require
from airwatch.derive.loaded import EngineClock, engine_clock, loaded_spans
from airwatch.derive.swings import SWING
from airwatch.derive.tuning import Duty, shipped_tuning
from airwatch.derive.turn_bounds import TURNS, Z95

_SAMPLING_VAR = 1.0 / 12.0  # of an instant anywhere in a bracket, by the bracket's square


def duty_readings(
    samples: pl.DataFrame,
    turns: pl.DataFrame,
    runs: pl.DataFrame,
    tuning: Duty | None = None,
    clock: EngineClock | None = None,
) -> pl.DataFrame:
    """Give the duty of each run that has enough engine-on time and whole governor cycles.

    `compressor_duty` is the share of all engine-on time (test "whole run") in which the compressor is loaded;
    `compressor_duty_cycling` is that from the first cut-out to the last, whole cycles without the first fill;
    `governor_cycles` is cut-outs in an hour of engine-on time; `compressor_duty_per_application` is loaded seconds
    for each brake application between first and last cut-out, leaks and accessories included.
    Where pressure only swings (`airwatch.derive.swings`) the compressor never rested: it was loaded all the time, at
    least while pressure rose; the other three have no meaning then.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    turns : DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    clock : EngineClock, optional
        Of these samples, where the caller has it already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "duty_readings")
    require(turns, TURNS, "duty_readings")
    tuning = tuning or shipped_tuning().duty
    clock = clock or engine_clock(samples, tuning.longest_gap_s)
    totals = _totals(samples, turns, clock, tuning)
    cyclic = totals.filter(pl.col("source") != SWING)
    parts = [_whole_run(totals), _cycling(cyclic), _cycles(cyclic), _per_application(cyclic, tuning)]
    return (
        pl.concat(parts, how="diagonal")
        .join(runs, on="run")
        .select(
            *UNIT,
            "trailer",
            "check",
            "start",
            "end",
            "value",
            "lower",
            "upper",
            "measure",
            "test",
            "note",
            "run_start",
            circuit=pl.lit(None, pl.String),
        )
        .pipe(as_measured)
    )


def _totals(samples: pl.DataFrame, turns: pl.DataFrame, clock: EngineClock, tuning: Duty) -> pl.DataFrame:
    """Give one row a run: engine-on seconds, loaded seconds, how far off they may be, applications."""
    spans = loaded_spans(turns, clock)
    is_out = pl.col("kind") == "cut_out"
    counted = turns.group_by("run").agg(
        n_outs=is_out.sum(),
        n_ins=(~is_out).sum(),
        first_out=pl.col("t").filter(is_out).min(),
        last_out=pl.col("t").filter(is_out).max(),
        ends_loaded=(pl.col("kind").last() == "cut_in"),
        source=pl.col("source").first(),
    )
    counted = counted.filter(pl.col("n_outs") >= tuning.fewest_cut_outs)
    run = counted["run"].to_numpy()
    at = np.searchsorted(clock.run[clock.first], run)
    first_out, last_out = (
        clock.place(run, counted[name].to_physical().to_numpy()) for name in ("first_out", "last_out")
    )
    brakes = samples["is_braking"].to_numpy()[clock.row]
    begins = np.flatnonzero(brakes[1:] & ~brakes[:-1]) + 1
    begins_s = clock.axis_s[begins]
    counted = counted.with_columns(
        on_s=clock.on_s[clock.last[at]] - clock.on_s[clock.first[at]],
        cycling_s=clock.on_at(last_out) - clock.on_at(first_out),
        start=clock.t_us[clock.first[at]].astype("datetime64[us]"),
        end=clock.t_us[clock.last[at]].astype("datetime64[us]"),
        n_applied=np.searchsorted(begins_s, clock.axis_s[clock.last[at]], side="right")
        - np.searchsorted(begins_s, clock.axis_s[clock.first[at]]),
        n_applied_cycling=np.searchsorted(begins_s, last_out) - np.searchsorted(begins_s, first_out),
    )
    rounding = Z95 * tuning.rounding_sd_steps * pl.col("rounding_s")
    cyclic = pl.col("is_whole") & ~pl.col("is_first") & (pl.col("begin") >= pl.col("first_out"))
    loaded = (
        spans.join(counted.select("run", "first_out"), on="run")
        .group_by("run")
        .agg(
            loaded_s=pl.col("loaded_s").sum(),
            half_s=((rounding.sum()) ** 2 + Z95**2 * _SAMPLING_VAR * (pl.col("sampling_s") ** 2).sum()).sqrt(),
            before_s=pl.col("before_s").sum(),
            cycling_loaded_s=pl.col("loaded_s").filter(cyclic).sum(),
            cycling_half_s=(
                rounding.filter(cyclic).sum() ** 2
                + Z95**2 * _SAMPLING_VAR * (pl.col("sampling_s") ** 2).filter(cyclic).sum()
            ).sqrt(),
        )
    )
    return counted.filter(pl.col("on_s") >= tuning.shortest_engine_on_s).join(loaded, on="run").sort("run")


def _whole_run(totals: pl.DataFrame) -> pl.DataFrame:
    seen, half = 100 * pl.col("loaded_s") / pl.col("on_s"), 100 * pl.col("half_s") / pl.col("on_s")
    upper = (seen + half + 100 * pl.col("before_s") / pl.col("on_s")).clip(upper_bound=100.0)
    is_swing = pl.col("source") == SWING
    return totals.select(
        "run",
        "start",
        "end",
        check=pl.lit("compressor_duty"),
        test=pl.lit("whole run"),
        value=pl.when(is_swing).then(100.0).otherwise(seen),
        lower=(seen - half).clip(lower_bound=0.0),
        upper=pl.when(is_swing).then(100.0).otherwise(upper),
        measure=pl.lit("%"),
        note=pl.when(is_swing)
        .then(
            pl.format(
                "{} h engine on; pressure swung more slowly than any compressor fills, so it never rested",
                (pl.col("on_s") / 3600).round(1),
            )
        )
        .otherwise(_note("{} h engine on, {} cut-outs, {} brake applications; {}", "n_applied")),
    )


def _cycling(totals: pl.DataFrame) -> pl.DataFrame:
    value = 100 * pl.col("cycling_loaded_s") / pl.col("cycling_s")
    half = 100 * pl.col("cycling_half_s") / pl.col("cycling_s")
    return totals.filter(pl.col("cycling_s") > 0).select(
        "run",
        start="first_out",
        end="last_out",
        check=pl.lit("compressor_duty_cycling"),
        test=pl.lit("first to last cut-out"),
        value=value,
        lower=(value - half).clip(lower_bound=0.0),
        upper=(value + half).clip(upper_bound=100.0),
        measure=pl.lit("%"),
        note=_note(
            "without the first fill; {} h engine on, {} cut-outs, {} brake applications; {}", "n_applied_cycling"
        ),
    )


def _cycles(totals: pl.DataFrame) -> pl.DataFrame:
    """Count whole cycles; at either end of the run one may be cut off, so a count between those is as good."""
    per_h = 3600.0 / pl.col("on_s")
    least = pl.min_horizontal("n_outs", "n_ins").cast(pl.Int64)
    most = pl.max_horizontal("n_outs", "n_ins").cast(pl.Int64)
    return totals.select(
        "run",
        "start",
        "end",
        check=pl.lit("governor_cycles"),
        value=pl.col("n_outs") * per_h,
        lower=pl.min_horizontal(least, pl.col("n_outs").cast(pl.Int64) - 1) * per_h,
        upper=pl.max_horizontal(most, pl.col("n_outs").cast(pl.Int64) + 1) * per_h,
        measure=pl.lit("1/h"),
        note=pl.format(
            "{} cut-outs and {} cut-ins in {} h engine on; {}",
            "n_outs",
            "n_ins",
            (pl.col("on_s") / 3600).round(2),
            _seen_by(),
        ),
    )


def _per_application(totals: pl.DataFrame, tuning: Duty) -> pl.DataFrame:
    n = pl.col("n_applied_cycling")
    value, half = pl.col("cycling_loaded_s") / n, pl.col("cycling_half_s") / n
    return totals.filter(n >= tuning.fewest_applications).select(
        "run",
        start="first_out",
        end="last_out",
        check=pl.lit("compressor_duty_per_application"),
        value=value,
        lower=(value - half).clip(lower_bound=0.0),
        upper=value + half,
        measure=pl.lit("s"),
        note=pl.format("loaded time over {} brake applications; leaks and accessories are in it", n),
    )


def _note(text: str, applied: str) -> pl.Expr:
    return pl.format(text, (pl.col("on_s") / 3600).round(1), "n_outs", applied, _seen_by())


def _seen_by() -> pl.Expr:
    names = {
        "pressure": "state inferred from pressure",
        "state": "state reported by the vehicle",
        "event": "turns reported by the vehicle",
    }
    return pl.col("source").replace_strict(names, default="", return_dtype=pl.String)
