"""A store with a big fleet and a year of readings, made as frames: nothing of it was measured."""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from airwatch.alerts.frames import ALERTS, alert_id
from airwatch.contract.batch import decode_batch
from airwatch.contract.columns import COLUMNS
from airwatch.contract.message import RawMessage
from airwatch.derive.data_quality import QUALITY
from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.registry import SCHEMA
from airwatch.store.alerts import write_alerts
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, newest_batch, replace_windows
from airwatch.store.heard import sum_up_heard
from airwatch.store.quality import CHANGED, replace_quality
from airwatch.store.registry import replace_units
from airwatch.store.telemetry import TelemetryWriter, unit_key

UNITS_AT_ONCE = 1000
LONG = ("north", "K-00000")
"""The unit whose samples are there at 1 Hz."""

# check, circuit, measure, middle, spread, low edge, high edge, rule
KINDS = [
    ("leak_static", "primary", "kPa/min", 3.0, 2.0, None, 20.684271, "us-leak-static-combination"),
    ("leak_static", "secondary", "kPa/min", 3.0, 2.0, None, 20.684271, "us-leak-static-combination"),
    ("leak_applied", "primary", "kPa/min", 8.0, 4.0, None, 27.579, "us-leak-applied-combination"),
    ("leak_released", "primary", "kPa/min", 3.0, 2.0, None, 20.684271, "us-leak-released-combination"),
    ("build_up_time", "primary", "s", 25.0, 5.0, None, 45.0, "us-cdl-build-up-85-100"),
    ("governor_cut_out", "supply", "kPa", 896.0, 12.0, 827.37084, 965.26598, "us-cdl-governor-cut-out"),
    ("governor_cut_in", "supply", "kPa", 758.0, 12.0, None, None, None),
    ("governor_cycles", None, "1/h", 12.0, 4.0, None, None, None),
    ("compressor_duty", None, "%", 14.0, 4.0, None, 25.0, "any-duty-watch"),
    ("low_air_warning", None, "kPa", 440.0, 12.0, 413.685438, None, "us-fmvss121-low-air"),
    ("protection_valve", "trailer", "kPa", 240.0, 25.0, 137.895, 310.264, "us-protection-valve"),
    ("supply_drop", "supply", "kPa", 20.0, 6.0, None, None, None),
]


def names(n_units: int) -> pl.DataFrame:
    """Give ``fleet, unit`` of the fleet, four fleets by turns."""
    return pl.DataFrame(
        {
            "fleet": [("north", "harbor", "plains", "coast")[k % 4] for k in range(n_units)],
            "unit": [f"K-{k:05d}" for k in range(n_units)],
        }
    )


def fill(store: Store, *, n_units: int, days: int, every_days: int, sample_days: int, newest: datetime) -> None:
    """Write the fleet."""
    rng = np.random.default_rng(1)
    units = names(n_units)
    registered = units.with_columns(
        kind=pl.lit("tractor"), rule_set=pl.lit("us"), axles=pl.lit(3, pl.Int32), trailer_towing=pl.lit(value=True),
        home_shop=pl.format("shop {}", pl.int_range(pl.len()) % 12), cut_out_kpa=pl.lit(896.0),
    )  # fmt: skip
    replace_units(store, pl.concat([pl.DataFrame(schema=SCHEMA), registered], how="diagonal"))
    for some in units.iter_slices(UNITS_AT_ONCE):
        readings = pl.concat(list(_readings(some, days, every_days, newest, rng))).cast(READINGS)
        replace_windows(store, pl.DataFrame(schema=WINDOWS), pl.DataFrame(schema=RUNS), readings)
        quality = _quality(some, days, newest)
        replace_quality(store, some.with_columns(day=pl.lit((newest - timedelta(days)).date())).cast(CHANGED), quality)
    _write_alerts(store, units, newest)
    writer = TelemetryWriter(store)
    ages = rng.exponential(12.0, n_units)  # hours; a few in a thousand are silent
    blocks = [
        _block(fleet, unit, newest - timedelta(hours=float(age)))
        for (fleet, unit), age in zip(units.iter_rows(), ages, strict=True)
    ]
    writer.write(decode_batch(blocks))
    sum_up_heard(store, newest_batch(store))
    _write_samples(store, sample_days, newest)
    store.checkpoint()


def _readings(
    units: pl.DataFrame, days: int, every_days: int, newest: datetime, rng: np.random.Generator
) -> Iterator[pl.DataFrame]:
    ends = pl.DataFrame({"end": [newest - timedelta(days=d, hours=5) for d in range(0, days, every_days)]})
    grid = units.join(ends, how="cross").cast({"end": pl.Datetime("us")})
    for check, circuit, measure, middle, spread, low, high, rule in KINDS:
        value = rng.normal(middle, spread, grid.height)
        is_bad = np.zeros(grid.height, bool)
        if high is not None:
            is_bad |= value > high
        if low is not None:
            is_bad |= value < low
        verdict = np.where(is_bad, "fail", np.where(rng.random(grid.height) < 0.1, "unknown", "pass"))
        yield grid.select(
            "fleet", "unit", trailer=pl.lit(None, pl.String), circuit=pl.lit(circuit, pl.String), check=pl.lit(check),
            start=pl.col("end") - timedelta(minutes=10), end="end", value=pl.Series(value),
            lower=pl.Series(value - spread / 3), upper=pl.Series(value + spread / 3), measure=pl.lit(measure),
            limit_low=pl.lit(low, pl.Float64), limit_high=pl.lit(high, pl.Float64), rule=pl.lit(rule, pl.String),
            verdict=pl.Series(verdict), note=pl.lit("drawn"), test=pl.lit(None, pl.String),
            part=pl.lit(None, pl.String), state=pl.lit(None, pl.String), run_start=pl.col("end") - timedelta(hours=1),
        ).select(READINGS.keys())  # fmt: skip


def _quality(units: pl.DataFrame, days: int, newest: datetime) -> pl.DataFrame:
    dates = pl.DataFrame({"day": [(newest - timedelta(d)).date() for d in range(days)]})
    counts = {name: pl.lit(0, pl.Int64) for name, dtype in QUALITY.items() if dtype == pl.Int64()}
    figures = {name: pl.lit(None, pl.Float64) for name, dtype in QUALITY.items() if dtype == pl.Float64()}
    return (
        units.join(dates, how="cross")
        .with_columns(**counts, **figures, stream=pl.lit("pressure"))
        .with_columns(n_messages=pl.lit(1440), first_t=pl.col("day"), last_t=pl.col("day"))
        .with_columns(
            flags=pl.when(pl.int_range(pl.len()) % 97 == 0).then(pl.lit("messages missing")).otherwise(pl.lit(""))
        )
        .select(QUALITY.keys())
        .cast(QUALITY)
    )


def _write_alerts(store: Store, units: pl.DataFrame, newest: datetime) -> None:
    rows = []
    for k, (fleet, unit) in enumerate(units.gather_every(12).iter_rows()):
        details = {"measured": {"check": "leak_static", "circuit": "primary", "judged": 24.0, "limit": 20.7}}
        rows.append(
            {
                "id": alert_id(fleet, unit, "leak_primary"), "fleet": fleet, "unit": unit, "fault": "leak_primary",
                "circuit": "primary", "severity": ("high", "medium", "low")[k % 3], "confidence": 0.9,
                "opened": newest - timedelta(days=k % 40), "updated": newest, "state": "open",
                "summary": "Primary tank leaks; parked 24.0 kPa/min at the test's pressure, limit 20.7 kPa/min",
                "details": json.dumps(details),
            }
        )  # fmt: skip
    write_alerts(store, pl.DataFrame(schema=ALERTS), pl.DataFrame(rows, schema=ALERTS), [])


def _block(fleet: str, unit: str, start: datetime) -> RawMessage:
    body = {
        "v": 1,
        "unit": unit,
        "seq": 0,
        "t0": f"{start:%Y-%m-%dT%H:%M:%SZ}",
        "dt_ms": 1000,
        "primary_kpa": [800, 792],
    }
    arrived_us = int((start - datetime(1970, 1, 1)) / timedelta(microseconds=1)) + 2_000_000  # noqa: DTZ001
    return RawMessage(f"air/v1/{fleet}/{unit}/pressure", json.dumps(body).encode(), arrived_us)


def _write_samples(store: Store, days: int, newest: datetime) -> None:
    """Write a unit's samples at 1 Hz: saw teeth of the governor, and nights of a slow fall."""
    n = days * 86_400
    second = np.arange(n)
    is_day = (second // 3600) % 24 < 10
    saw = 760.0 + 136.0 * ((second % 240) / 240.0)
    fall = 880.0 - 0.004 * (second % 86_400)
    kpa = np.round(np.where(is_day, saw, fall) / 8) * 8
    t = pl.Series(second * 1000) + int((newest - timedelta(days) - datetime(1970, 1, 1)).total_seconds() * 1000)  # noqa: DTZ001
    frame = pl.DataFrame(
        {
            "unit_key": np.full(n, unit_key(*LONG)), "t": t.cast(pl.Datetime("ms")), "supply_kpa": kpa,
            "primary_kpa": kpa, "secondary_kpa": kpa - 8, "engine_rpm": np.where(is_day, 1400.0, 0.0),
            "speed_kph": np.where(is_day, 80.0, 0.0), "park_brake": np.where(is_day, 0, 1),
        }
    )  # fmt: skip
    lacking = {column.name: pl.lit(None, column.dtype) for column in COLUMNS if column.name not in frame.columns}
    frame = frame.with_columns(**lacking, trailer=pl.lit(None, pl.String))
    with store.transaction(made=frame) as write:
        write.execute("INSERT INTO air.samples BY NAME SELECT * FROM made")
