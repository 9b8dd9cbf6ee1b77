"""Derivation of what is new gives what derivation of everything gives, however the data came."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.derive.readings import Derived, Window, derive
from airwatch.store import derivation as stored
from airwatch.store.database import Store
from airwatch.store.telemetry import TelemetryWriter
from pipelines.derive import derive_new

DAY_S = 24 * 3600


def day(rng: np.random.Generator, start_kpa: float) -> dict[str, np.ndarray]:
    """Make a pump-up, two hours of governor cycles, a park with a leak: one sample every 10 s."""
    rise = np.linspace(start_kpa, 880, 12)
    fall, load = np.linspace(880, 752, 40), np.linspace(752, 880, 6)
    drive = np.concatenate([rise, *[fall, load] * 15, fall])
    park = (drive[-1] + 101.3) * np.exp(-np.arange(DAY_S // 10 - drive.size) * 10 / rng.uniform(2e4, 1e5)) - 101.3
    kpa = np.concatenate([drive, park])
    on = np.arange(kpa.size) < drive.size
    return {
        "primary_kpa": np.round(kpa / 8) * 8,
        "engine_rpm": np.where(on, 1200.0, 0.0),
        "speed_kph": np.where(on & (np.arange(kpa.size) > 30), 60.0, 0.0),
        "park_brake": np.where(on, 0, 1),
    }


def messages(unit: str, days: int, seed: int) -> list[RawMessage]:
    """Blocks of five minutes of one unit, and a trouble code that comes on the second day."""
    rng = np.random.default_rng(seed)
    parts = [day(rng, rng.uniform(400, 700)) for _ in range(days)]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    out = []
    for k, at in enumerate(range(0, days * DAY_S // 10, 30)):
        block = {name: values[at : at + 30].tolist() for name, values in columns.items()}
        t0 = f"2031-02-{3 + at * 10 // DAY_S:02d}T{at * 10 % DAY_S // 3600:02d}:{at * 10 % 3600 // 60:02d}:00Z"
        body = {"v": 1, "unit": unit, "seq": k, "t0": t0, "dt_ms": 10000, **block}
        out.append(RawMessage(f"air/v1/north/{unit}/pressure", json.dumps(body).encode(), 1))
    for k, (hour, codes) in enumerate([(1, []), (3, [{"spn": 789, "fmi": 5, "count": 1}]), (9, [])]):
        body = {
            "v": 1,
            "unit": unit,
            "seq": k,
            "t": f"2031-02-04T{hour:02d}:00:00Z",
            "source_address": 11,
            "codes": codes,
        }
        out.append(RawMessage(f"air/v1/north/{unit}/faults", json.dumps(body).encode(), 1))
    return out


def results(store: Store) -> list[pl.DataFrame]:
    queries = (
        "SELECT * FROM air.runs ORDER BY ALL",
        "SELECT * FROM air.readings ORDER BY ALL",
        "SELECT * FROM air.alerts ORDER BY ALL",
    )
    return [store.frame(query) for query in queries]


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_arrival_gives_the_same_as_everything_at_once(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    every = messages("K-1", 4, seed) + messages("K-2", 3, seed + 100)
    jitter = rng.choice([0.0, 0.0, 0.0, 400.0], len(every))  # most in order, some much later, so runs are cut anew
    order = np.argsort(np.arange(len(every)) + jitter * rng.random(len(every)))
    with Store.open(tmp_path / "s.duckdb") as store:
        writer = TelemetryWriter(store)
        for part in np.array_split(order, 9):
            writer.write(decode_batch([every[k] for k in part]))
            derive_new(store)
        piecewise = results(store)
        assert derive_new(store).n_units == 0  # nothing is new
        derive_new(store, everything=True)
        for ours, whole in zip(piecewise, results(store), strict=True):
            assert_frame_equal(ours, whole)
        checks = set(piecewise[1]["check"])
    expected = {"leak_static", "governor_cut_out", "governor_cut_in", "compressor_duty", "build_up_time", "abs_fault"}
    assert expected <= checks


def test_only_the_runs_around_what_is_new_are_read(tmp_path: Path) -> None:
    read = []

    def watched(window: Window) -> Derived:
        read.append(window.samples.height)
        return derive(window)

    every = messages("K-1", 8, 1)
    with Store.open(tmp_path / "s.duckdb") as store:
        writer = TelemetryWriter(store)
        pressure = [m for m in every if m.topic.endswith("pressure")]
        writer.write(decode_batch(pressure[:-1]))
        derive_new(store, derive_window=watched)
        writer.write(decode_batch(pressure[-1:]))
        derive_new(store, derive_window=watched)
    assert read[0] > 8 * 8000
    assert read[1] <= 2 * DAY_S / 10 + 60  # the last run and the one before it, of eight


def test_a_failure_leaves_the_mark_where_it_was(tmp_path: Path) -> None:
    def broken(_window: Window) -> Derived:
        raise RuntimeError("no")

    with Store.open(tmp_path / "s.duckdb") as store:
        TelemetryWriter(store).write(decode_batch(messages("K-1", 1, 1)))
        with pytest.raises(RuntimeError, match="no"):
            derive_new(store, derive_window=broken)
        assert stored.mark(store, "readings") == 0
        assert derive_new(store).n_readings > 0
