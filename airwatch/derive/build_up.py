"""`build_up_time`: how long the compressor takes from 85 to 100 psi, referred to governed engine speed."""

import polars as pl

from airwatch.derive.frames import FACTS, RUN_SAMPLES, UNIT, as_measured, require, seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import BuildUp, shipped_tuning
from airwatch.limits.units_of_measure import KPA_PER_PSI

START_KPA = 85 * KPA_PER_PSI
END_KPA = 100 * KPA_PER_PSI
"""49 CFR 571.121 S5.1.1 and the CDL model manual time the rise from 85 to 100 psi."""

_CIRCUITS = ("supply", "primary", "secondary")


def build_up_readings(
    samples: pl.DataFrame, runs: pl.DataFrame, facts: pl.DataFrame, tuning: BuildUp | None = None
) -> pl.DataFrame:
    """Time each rise of a tank from 85 to 100 psi during which no air was used.

    A rounded value changes when the true pressure passes the middle between the two values, so the rise is read from
    the times of its changes: at each the pressure is known to the sensor's accuracy, and 85 and 100 psi are
    interpolated between them. The engine's revolutions in the rise, divided by governed speed, are the time that it
    would have taken there: a compressor driven by the engine moves the same air with each turn.
    A rise with the brake applied, the parking brake moved, the unit moving, a step back or a silence in it is left
    out: air was used, or not seen.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    facts : DataFrame
        Columns as `airwatch.derive.frames.FACTS`; ``governed_rpm`` in 1/min.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; seconds. ``start`` and ``end`` are the crossings.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    49 CFR 571.121 S5.1.1; CDL model manual, section 5.
    """
    require(samples, RUN_SAMPLES, "build_up_readings")
    require(facts, FACTS, "build_up_readings")
    tuning = tuning or shipped_tuning().build_up
    rises = [_rises(samples, circuit, tuning) for circuit in _CIRCUITS]
    governed = pl.col("governed_rpm")
    turned_s = pl.col("revolutions") * 60.0 / governed
    timed_s = seconds(pl.col("end") - pl.col("start"))
    assumed = pl.when("is_speed_assumed").then(pl.lit(" (assumed)")).otherwise(pl.lit(""))
    return (
        pl.concat(rises)
        .join(runs, on="run")
        .join(facts.select(*UNIT, "governed_rpm", "is_speed_assumed"), on=UNIT, how="left")
        .with_columns(timed_s=timed_s, value=pl.coalesce(turned_s, timed_s))
        .with_columns(half=pl.col("timing_s") * pl.col("value") / pl.col("timed_s"))
        .select(
            *UNIT,
            "trailer",
            circuit="circuit",
            check=pl.lit("build_up_time"),
            start="start",
            end="end",
            value="value",
            lower=(pl.col("value") - pl.col("half")).clip(lower_bound=0.0),
            upper=pl.col("value") + pl.col("half"),
            measure=pl.lit("s"),
            note=pl.when(pl.col("revolutions").is_null())
            .then(pl.format("timed {} s, engine speed not known", pl.col("timed_s").round(1)))
            .otherwise(
                pl.format(
                    "timed {} s at {} 1/min, referred to governed {} 1/min{}",
                    pl.col("timed_s").round(1),
                    (pl.col("revolutions") * 60.0 / pl.col("timed_s")).round(0).cast(pl.Int64),
                    governed.round(0).cast(pl.Int64),
                    assumed,
                )
            ),
            run_start="run_start",
        )
        .pipe(as_measured)
    )


def _rises(samples: pl.DataFrame, circuit: str, tuning: BuildUp) -> pl.DataFrame:
    """Find the rises of one tank: ``run, circuit, start, end, timing_s, revolutions``."""
    p, t = pl.col(f"{circuit}_kpa"), pl.col("t")
    gap_s = seconds(t - t.shift(1).over("run")).fill_null(0.0)
    turns = (pl.col("engine_rpm") + pl.col("engine_rpm").shift(1).over("run")) / 120.0 * gap_s
    moved = (pl.col("is_parked") != pl.col("is_parked").shift(1).over("run")).fill_null(value=False)
    uses_air = pl.col("is_braking") | pl.col("is_moving") | moved | ~pl.col("is_running")
    line = (
        samples.drop_nulls(f"{circuit}_kpa")
        .with_columns(
            gap_s=gap_s,
            turns=turns.fill_null(0.0).cum_sum().over("run"),
            uses_air=uses_air,
            step=step_kpa(p).over("run"),
        )
        .with_columns(no_rpm=pl.col("engine_rpm").is_null())
        .with_columns(p0=p.shift(1).over("run"), t0=t.shift(1).over("run"), turns0=pl.col("turns").shift(1).over("run"))
    )
    changes = line.filter(p != pl.col("p0")).with_columns(
        # the change lies between two samples, and the pressure then is between the two values
        at_us=(t.dt.epoch("us") + pl.col("t0").dt.epoch("us")) / 2,
        at_kpa=(p + pl.col("p0")) / 2,
        at_turns=(pl.col("turns") + pl.col("turns0")) / 2,
    )
    before = {name: pl.col(name).shift(1).over("run") for name in ("at_us", "at_kpa", "at_turns")}

    def crossing(level: float) -> dict[str, pl.Expr]:
        is_up = (before["at_kpa"] < level) & (pl.col("at_kpa") >= level) & (p > pl.col("p0"))
        share = (level - before["at_kpa"]) / (pl.col("at_kpa") - before["at_kpa"])
        us = before["at_us"] + share * (pl.col("at_us") - before["at_us"])
        turned = before["at_turns"] + share * (pl.col("at_turns") - before["at_turns"])
        per_s = (pl.col("at_kpa") - before["at_kpa"]) / ((pl.col("at_us") - before["at_us"]) / 1e6)
        # half a sample spacing, and a quarter step of sensor noise, at the slope of the crossing
        error_s = (pl.col("gap_s").pow(2) / 4 + (pl.col("step") / 4 / per_s).pow(2)).sqrt()
        return {name: pl.when(is_up).then(what) for name, what in (("us", us), ("turns", turned), ("error", error_s))}

    low, high = crossing(START_KPA), crossing(END_KPA)
    crossed = changes.with_columns(
        **{f"low_{name}": value for name, value in low.items()},
        **{f"high_{name}": value for name, value in high.items()},
    )
    crossed = crossed.with_columns(pl.col("low_us", "low_turns", "low_error").forward_fill().over("run"))
    # the first passage of the upper level after the last passage of the lower
    rises = (
        crossed.filter(pl.col("high_us").is_not_null() & pl.col("low_us").is_not_null())
        .unique(["run", "low_us"], keep="first", maintain_order=True)
        .select(
            "run",
            circuit=pl.lit(circuit),
            start=pl.from_epoch(pl.col("low_us").round().cast(pl.Int64), time_unit="us"),
            end=pl.from_epoch(pl.col("high_us").round().cast(pl.Int64), time_unit="us"),
            timing_s=(pl.col("low_error").pow(2) + pl.col("high_error").pow(2)).sqrt(),
            revolutions=pl.col("high_turns") - pl.col("low_turns"),
        )
    )
    inside = (
        line.select("run", "t", "t0", "gap_s", "uses_air", "no_rpm", back=pl.col("p0") - p, step="step")
        .join_where(
            rises.select(rise_run="run", start="start", end="end"),
            pl.col("run") == pl.col("rise_run"),
            t > pl.col("start"),
            pl.col("t0") < pl.col("end"),
        )
        .group_by("run", "start", "end")
        .agg(
            air_used=pl.col("uses_air").any() | (pl.col("back") > tuning.dip_steps * pl.col("step")).any(),
            longest_gap_s=pl.col("gap_s").max(),
            no_rpm=pl.col("no_rpm").any(),
        )
    )
    return (
        rises.join(inside, on=["run", "start", "end"], how="inner", maintain_order="left")
        .filter(~pl.col("air_used") & (pl.col("longest_gap_s") <= tuning.longest_gap_s))
        .with_columns(revolutions=pl.when(~pl.col("no_rpm")).then(pl.col("revolutions")))
        .select("run", "circuit", "start", "end", "timing_s", "revolutions")
    )
