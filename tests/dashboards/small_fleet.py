"""A small fleet with a unit of each need."""

import json
from datetime import datetime, timedelta

import polars as pl

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.registry import SCHEMA
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, replace_windows
from airwatch.store.registry import replace_units
from airwatch.store.telemetry import TelemetryWriter
from pipelines.alerts import refresh_alerts
from pipelines.quality import sum_up_new

NEWEST = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store

# What each unit is there for, in the order of need that is expected.
ORDER = ("K-leak", "K-weak", "K-fail", "K-watch", "K-silent", "K-never", "K-new", "K-quiet")


def _reading(
    unit: str, check: str, value: float, verdict: str, *, hours_ago: float = 1, **more: object
) -> dict[str, object]:
    end = NEWEST - timedelta(hours=hours_ago)
    known = {
        "fleet": "north",
        "unit": unit,
        "check": check,
        "circuit": "primary",
        "start": end - timedelta(minutes=10),
        "end": end,
        "value": value,
        "lower": value - 1,
        "upper": value + 1,
        "verdict": verdict,
        "note": "as seen",
        "run_start": end - timedelta(hours=1),
    }
    of_check = {
        "leak_static": {"measure": "kPa/min", "limit_high": 20.684271, "rule": "us-leak-static-combination"},
        "build_up_time": {"measure": "s", "limit_high": 45.0, "rule": "us-cdl-build-up-85-100"},
        "compressor_duty": {"measure": "%", "limit_high": 25.0, "rule": "any-duty-watch", "circuit": None},
        "governor_cut_out": {
            "measure": "kPa",
            "limit_low": 827.37084,
            "limit_high": 965.26598,
            "rule": "us-cdl-governor-cut-out",
            "circuit": "supply",
        },
        "build_up_span": {"measure": "s", "limit_high": 180.0, "rule": "us-cdl-build-up-50-90", "test": "345-620 kPa"},
        "low_air_warning": {
            "measure": "kPa",
            "limit_low": 413.685438,
            "rule": "us-fmvss121-low-air",
            "note": "came on at 395 kPa, between 392 and 400 kPa",
        },
        "abs_fault": {
            "measure": "count",
            "limit_high": 0.0,
            "rule": "us-393-55-abs",
            "circuit": None,
            "part": "axle 1 left",
            "state": "intermittent",
        },
    }
    return known | of_check[check] | more


def _readings() -> pl.DataFrame:
    rows = [
        *(_reading("K-leak", "leak_static", 30.0 + n, "fail", hours_ago=30 - n) for n in range(3)),
        _reading("K-leak", "governor_cut_out", 896.0, "pass"),
        *(_reading("K-weak", "build_up_time", 40.0, "watch", hours_ago=30 - n, limit_high=25.0) for n in range(4)),
        _reading("K-fail", "build_up_time", 50.0, "fail", hours_ago=49),
        _reading("K-fail", "build_up_time", 60.0, "fail"),
        _reading("K-watch", "compressor_duty", 30.0, "watch"),
        _reading("K-watch", "low_air_warning", 395.0, "watch"),
        _reading("K-watch", "build_up_span", 66.0, "pass", hours_ago=9),
        _reading("K-watch", "build_up_span", 60.0, "pass"),
        _reading("K-watch", "build_up_span", 90.0, "unknown", test="0-80% of cut-out", limit_high=None, rule=None),
        _reading("K-watch", "abs_fault", 2.0, "unknown", lower=None, upper=None),
        _reading("K-quiet", "governor_cut_out", 896.0, "pass"),
        _reading("K-quiet", "leak_static", 19.0, "unknown", lower=10.0, upper=28.0),
    ]
    return pl.DataFrame(rows, schema=READINGS)


def block(unit: str, start: datetime, *, n: int = 60, received: datetime | None = None) -> RawMessage:
    """Make a block of ``n`` samples a second apart, pressures falling by 1 kPa a sample, the engine off."""
    falling = [800 - k % 300 for k in range(n)]
    body = {
        "v": 1,
        "unit": unit,
        "seq": 0,
        "t0": f"{start:%Y-%m-%dT%H:%M:%SZ}",
        "dt_ms": 1000,
        "primary_kpa": falling,
        "secondary_kpa": [p + 8 for p in falling],
        "engine_rpm": [0] * n,
    }
    arrived = received or start + timedelta(seconds=n)
    epoch = datetime(1970, 1, 1)  # noqa: DTZ001 as in the store
    return RawMessage(
        f"air/v1/north/{unit}/pressure", json.dumps(body).encode(), int((arrived - epoch) / timedelta(microseconds=1))
    )


def fill(store: Store) -> None:
    """Land and judge the small fleet."""
    row = {"fleet": "north", "kind": "tractor", "rule_set": "us", "home_shop": "ridge", "cut_out_kpa": 896.0}
    registered = [
        {**row, "unit": unit, "rule_set": "ca_on" if unit == "K-silent" else "us"} for unit in ORDER if unit != "K-new"
    ]
    replace_units(store, pl.DataFrame(registered, schema=SCHEMA))
    an_hour = timedelta(hours=1)
    messages = [block(unit, NEWEST - an_hour) for unit in ORDER if unit not in ("K-silent", "K-never")]
    messages += [
        block("K-leak", NEWEST - 2 * an_hour, n=3000),
        block("K-leak", NEWEST - timedelta(seconds=60)),
        block("K-silent", NEWEST - timedelta(days=5)),
        RawMessage("air/v1/north/K-leak/pressure", b"{<script>}", 1),
    ]
    TelemetryWriter(store).write(decode_batch(messages))
    sum_up_new(store)
    readings = _readings()
    windows = pl.DataFrame(schema=WINDOWS)
    replace_windows(store, windows, pl.DataFrame(schema=RUNS), readings)
    refresh_alerts(store, readings.select("fleet", "unit").unique())
