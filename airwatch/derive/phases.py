"""What a unit is doing at each sample: engine running, moving, parked, brake applied."""

import polars as pl

from airwatch.contract.columns import SAMPLE_SCHEMA
from airwatch.derive.frames import require
from airwatch.derive.tuning import Phases, shipped_tuning


def add_phases(samples: pl.DataFrame, tuning: Phases | None = None) -> pl.DataFrame:
    """Add ``is_running, is_moving, is_parked, is_braking`` (bool, never null) to samples.

    With the key off engine speed may be 0 or null, so null counts as not running, unless the compressor is reported as
    loaded. A unit is parked when the parking brake is set, or, where its switch is not sent, when the engine is off
    and it stands. A brake switch that is not sent counts as released: an application then shows as a fall of pressure.

    Raises
    ------
    FrameError
        ``samples`` is not a frame of samples.
    """
    require(samples, SAMPLE_SCHEMA, "add_phases")
    tuning = tuning or shipped_tuning().phases
    rpm, speed = pl.col("engine_rpm"), pl.col("speed_kph")
    is_running = (rpm >= tuning.running_rpm).fill_null(pl.col("compressor_loaded") == 1).fill_null(value=False)
    is_moving = (speed >= tuning.moving_kph).fill_null(value=False)
    switch = pl.col("service_brake") == 1
    is_braking = switch.fill_null(value=False) | (pl.col("application_kpa") >= tuning.applied_kpa).fill_null(
        value=False
    )
    return samples.with_columns(is_running=is_running, is_moving=is_moving, is_braking=is_braking).with_columns(
        is_parked=(pl.col("park_brake") == 1).fill_null(~pl.col("is_running") & ~pl.col("is_moving"))
    )
