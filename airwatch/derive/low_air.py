"""`low_air_warning`, `low_air_warning_off`: the pressure at which the low-air warning comes on and goes off."""

import polars as pl

from airwatch.contract.batch import LAMP_SCHEMA
from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require, seconds
from airwatch.derive.key import add_key
from airwatch.derive.missing_warning import missing_warnings
from airwatch.derive.switching import around, bounds, changes_of, of_runs, span_text
from airwatch.derive.tuning import LowAir, shipped_tuning

_RUN = ("run", *UNIT, "run_start", "trailer")


def low_air_readings(
    samples: pl.DataFrame, runs: pl.DataFrame, lamps: pl.DataFrame, tuning: LowAir | None = None
) -> pl.DataFrame:
    """Give one reading for each time the warning came on while pressure fell, went off while it rose, or was missing.

    The warning belongs to the lower service tank. It speaks only with the key on, so it counts as coming on at a
    pressure only if the engine runs, if the key's events say that it is on, or if pressure falls so fast that somebody
    is fanning the brakes; without that, a switch that reads 0 with the key off would seem to act at key-on.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    lamps : DataFrame
        Lamp events of the units, for the key.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, kPa gauge. ``low_air_warning`` has the state ``came on``, or
        ``missing`` where pressure fell well below any threshold and no warning came; then the value is the lowest
        pressure and the interval goes from 0 to it. ``low_air_warning_off`` is at or above the point of coming on.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    49 CFR 571.121 S5.1.5: continuous while a service reservoir is below the point, ignition on.
    """
    require(samples, RUN_SAMPLES, "low_air_readings")
    require(lamps, LAMP_SCHEMA, "low_air_readings")
    tuning = tuning or shipped_tuning().low_air
    if samples["low_air_warning"].null_count() == samples.height:
        return as_measured(pl.DataFrame())
    ons, offs = (changes_of(samples, "low_air_warning", to=to) for to in (1, 0))
    changes = pl.concat([ons, offs])
    bounded = of_runs(changes, samples, bounds(lower_tank(around(samples, changes), tuning)))
    found = [
        _came_on(samples, changes, bounded.filter(pl.col("change") < ons.height), lamps, tuning),
        _went_off(samples, changes, bounded.filter(pl.col("change") >= ons.height), tuning),
        missing_warnings(samples, lamps, tuning),
    ]
    return as_measured(
        pl.concat(found)
        .join(runs.select(_RUN), on="run")
        .with_columns(measure=pl.lit("kPa"))
        .sort("run", "start", "check")
    )


def _came_on(
    samples: pl.DataFrame, changes: pl.DataFrame, found: pl.DataFrame, lamps: pl.DataFrame, tuning: LowAir
) -> pl.DataFrame:
    before = samples.select(*UNIT, "t", "is_running")[changes["before"].gather(found["change"])]
    key = add_key(before, lamps)
    is_on = pl.col("is_key_on").fill_null(value=False)
    is_awake = pl.col("is_running") | (is_on & (seconds(pl.col("t") - pl.col("key_since")) >= tuning.awake_s))
    is_off = ~pl.col("is_running") & ~pl.col("is_key_on").fill_null(value=True)
    states = key.select(is_awake=is_awake, is_off=is_off)
    least = tuning.moved_steps * pl.col("step_kpa")
    has_fallen = (pl.col("fell_fast_kpa") >= least) | (pl.col("is_awake") & (pl.col("fell_slow_kpa") >= least))
    falls = pl.col("after_kpa") <= pl.col("before_kpa") + pl.col("step_kpa")
    kept = pl.concat([found, states], how="horizontal").filter(
        has_fallen & falls & ~pl.col("is_off") & (pl.col("after_kpa") <= tuning.highest_kpa)
    )
    return _said(kept, "low_air_warning", "came on")


def _went_off(samples: pl.DataFrame, changes: pl.DataFrame, found: pl.DataFrame, tuning: LowAir) -> pl.DataFrame:
    is_running = samples["is_running"].gather(changes["row"].gather(found["change"])).alias("is_running")
    has_risen = pl.col("rose_slow_kpa") >= tuning.moved_steps * pl.col("step_kpa")
    kept = found.with_columns(is_running).filter(
        has_risen & pl.col("is_running") & (pl.col("before_kpa") <= tuning.highest_kpa)
    )
    return _said(kept, "low_air_warning_off", "went off")


def lower_tank(near: pl.DataFrame, tuning: LowAir) -> pl.DataFrame:
    """Add ``kpa``: the lower of the service tanks that moved; a sensor that is stuck tells nothing of its tank."""
    tanks = ["primary_kpa", "secondary_kpa"]
    moved = [
        (pl.col(name).max() - pl.col(name).min()).over("change") >= tuning.moved_steps * tuning.moved_step_kpa
        for name in tanks
    ]
    those = [pl.when(has_moved).then(pl.col(name)) for name, has_moved in zip(tanks, moved, strict=True)]
    return near.with_columns(kpa=pl.coalesce(pl.min_horizontal(those), pl.min_horizontal(tanks)))


def _said(found: pl.DataFrame, check: str, state: str) -> pl.DataFrame:
    return found.select(
        "run",
        "start",
        "end",
        "value",
        "lower",
        "upper",
        check=pl.lit(check),
        state=pl.lit(state),
        note=span_text(),
    )
