"""Readings are the same whatever the order in which messages arrive, and however often they are derived meanwhile."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from itertools import chain, dropwhile, takewhile
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import messages_of, read_chunks
from airwatch.registry import read_units
from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from airwatch.store.telemetry import TelemetryWriter
from pipelines.derive import derive_new

REPLAY = Path(__file__).parents[2] / "replay_data"
UNITS = ("K-205", "K-208", "T-12")  # trouble codes and lamps; governor events and supply pressure; warning lamp
DAY_US = 86_400 * 1_000_000
FROM_DAY, TO_DAY = 2.5, 5.5


@cache
def recorded() -> tuple[RawMessage, ...]:
    """Read some days of some units of the demo fleet, as they arrived: late, repeated and out of order."""
    chunks = read_chunks(REPLAY / "demo_fleet.ndjson.zst", size=1_000_000)
    messages = chain.from_iterable(messages_of(chunk) for chunk in chunks)
    first = next(messages)
    begin, end = (first.received_us + day * DAY_US for day in (FROM_DAY, TO_DAY))
    some = dropwhile(lambda message: message.received_us < begin, messages)
    some = takewhile(lambda message: message.received_us < end, some)
    return tuple(message for message in some if any(f"/{unit}/" in message.topic for unit in UNITS))


@contextmanager
def fresh_store() -> Iterator[Store]:
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "s.duckdb") as store:
        replace_units(store, read_units(REPLAY / "units.csv"))
        yield store


def results(store: Store) -> dict[str, pl.DataFrame]:
    queries = {
        "runs": "SELECT * FROM air.runs ORDER BY ALL",
        "readings": "SELECT * FROM air.readings ORDER BY ALL",
        "alerts": "SELECT * FROM air.alerts ORDER BY ALL",
    }
    return {name: store.frame(query) for name, query in queries.items()}


@cache
def at_once() -> dict[str, pl.DataFrame]:
    with fresh_store() as store:
        TelemetryWriter(store).write(decode_batch(recorded()))
        derive_new(store)
        return results(store)


def test_the_recording_is_rich_enough() -> None:
    checks = set(at_once()["readings"]["check"])
    assert {"leak_static", "governor_cut_out", "build_up_time", "compressor_duty", "abs_fault"} <= checks


@settings(deadline=None, max_examples=6, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1), n_parts=st.integers(2, 7), late_share=st.floats(0, 1))
def test_readings_do_not_depend_on_the_order_of_arrival(seed: int, n_parts: int, late_share: float) -> None:
    rng = np.random.default_rng(seed)
    messages = recorded()
    delay = np.where(rng.random(len(messages)) < late_share, rng.random(len(messages)) * len(messages), 0.0)
    order = np.argsort(np.arange(len(messages)) + delay, kind="stable")
    borders = np.sort(rng.integers(0, len(messages), n_parts - 1))
    with fresh_store() as store:
        writer = TelemetryWriter(store)
        for part in np.split(order, borders):
            writer.write(decode_batch([messages[k] for k in part]))
            derive_new(store)
        found = results(store)
    for name, whole in at_once().items():
        assert_frame_equal(found[name], whole, rel_tol=1e-9)  # sums over other neighbours round otherwise


@pytest.mark.parametrize("samples_a_chunk", [1_000, 30_000])
def test_readings_do_not_depend_on_the_parts_in_which_units_are_derived(samples_a_chunk: int) -> None:
    with fresh_store() as store:
        TelemetryWriter(store).write(decode_batch(recorded()))
        derive_new(store, samples_a_chunk=samples_a_chunk)
        found = results(store)
    for name, whole in at_once().items():
        assert_frame_equal(found[name], whole, rel_tol=1e-9)  # sums over other neighbours round otherwise
