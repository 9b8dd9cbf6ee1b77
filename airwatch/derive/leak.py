"""`leak_static`: how fast a tank loses air, engine off, parked, no brake applied."""

import math

import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, TANKS, UNIT, as_measured, require, seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import Leak, shipped_tuning
from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

_ROUNDING_BOUND = 1.5
"""The most that rounding can do to a least-squares slope over evenly spaced samples of a span T: 1.5 step / T.

An error of at most half a step, of the sign that hurts most on either side of the middle, gives
sum |t - m| (step/2) / sum (t - m)^2 = (T/4) (step/2) / (T^2/12) = 1.5 step / T.
"""


def leak_static_readings(samples: pl.DataFrame, runs: pl.DataFrame, tuning: Leak | None = None) -> pl.DataFrame:
    """Give one reading for each tank in each settled hold.

    Through an orifice to the air, choked above about 90 kPa gauge, mass flow is proportional to absolute pressure, so
    absolute pressure decays exponentially; the slope of its logarithm is the leak, whatever the pressure. It is given
    as the rate at 690 kPa gauge. The tank gas is warm after a pump-up and cools: the first minutes after the engine
    stops are left out.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; kPa/min, positive for a fall. The interval is the most that
        rounding to the sensor's step can do, so it holds for any record, and is wide for short ones.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    Choked flow and isothermal decay: gas-dynamics handbooks.
    """
    require(samples, RUN_SAMPLES, "leak_static_readings")
    tuning = tuning or shipped_tuning().leak
    held = _holds(samples, tuning)
    parts = [_decay(held, circuit, tuning) for circuit in TANKS]
    per_log = 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)
    return (
        pl.concat(parts)
        .join(runs, on="run")
        .with_columns(value=-pl.col("slope") * per_log, half=pl.col("bound") * per_log)
        .select(
            *UNIT,
            "trailer",
            circuit="circuit",
            check=pl.lit("leak_static"),
            start="start",
            end="end",
            value="value",
            lower=pl.col("value") - pl.col("half"),
            upper=pl.col("value") + pl.col("half"),
            measure=pl.lit("kPa/min"),
            note=pl.format(
                "{} min settled, {} to {} kPa",
                (seconds(pl.col("end") - pl.col("start")) / 60).round(0).cast(pl.Int64),
                pl.col("first_kpa").round(0).cast(pl.Int64),
                pl.col("last_kpa").round(0).cast(pl.Int64),
            ),
            run_start="run_start",
        )
        .pipe(as_measured)
    )


def _holds(samples: pl.DataFrame, tuning: Leak) -> pl.DataFrame:
    """Keep the settled samples of holds, with a number ``hold`` for each."""
    t = pl.col("t")
    is_quiet = ~pl.col("is_running") & ~pl.col("is_moving") & ~pl.col("is_braking") & pl.col("is_parked")
    is_gap = (seconds(t - t.shift(1).over("run")) > tuning.longest_gap_s).fill_null(value=True)
    is_change = (is_quiet != is_quiet.shift(1).over("run")).fill_null(value=True)
    stopped = pl.when("is_running").then(t).forward_fill().over("run")
    return (
        samples.with_columns(
            hold=(is_gap | is_change).cum_sum(), is_quiet=is_quiet, stopped=stopped.fill_null(t.first().over("run"))
        )
        .filter(pl.col("is_quiet") & (seconds(t - pl.col("stopped")) >= tuning.settle_s))
        .select("run", "hold", "t", *(f"{circuit}_kpa" for circuit in TANKS))
    )


def _decay(held: pl.DataFrame, circuit: str, tuning: Leak) -> pl.DataFrame:
    """Fit one tank's logarithmic decay in each hold: slope and its bound, 1/s."""
    p = pl.col(f"{circuit}_kpa")
    x, y = pl.col("x_s"), pl.col("log_kpa")
    mean_kpa = p.mean() + ATMOSPHERE_KPA
    span_s = seconds(pl.col("t").last() - pl.col("t").first())
    return (
        held.filter(p >= tuning.least_kpa)
        .with_columns(
            x_s=seconds(pl.col("t") - pl.col("t").first().over("hold")), log_kpa=(p + ATMOSPHERE_KPA).log(math.e)
        )
        .group_by("run", "hold", maintain_order=True)
        .agg(
            start=pl.col("t").first(),
            end=pl.col("t").last(),
            span_s=span_s,
            slope=pl.cov(x, y) / x.var(),
            step=step_kpa(p),
            mean_kpa=mean_kpa,
            first_kpa=p.first(),
            last_kpa=p.last(),
            rise_kpa=(p - p.cum_min()).max(),
        )
        .filter((pl.col("span_s") >= tuning.shortest_s) & (pl.col("rise_kpa") <= tuning.rise_steps * pl.col("step")))
        .select(
            "run",
            "start",
            "end",
            "slope",
            "first_kpa",
            "last_kpa",
            circuit=pl.lit(circuit),
            bound=_ROUNDING_BOUND * pl.col("step") / pl.col("mean_kpa") / pl.col("span_s"),
        )
    )
