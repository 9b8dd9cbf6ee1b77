"""What was heard of units: the same whether it is summed up or stands in the ledger."""

from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from airwatch.contract.batch import decode_batch
from airwatch.registry import SCHEMA
from airwatch.store.changes import Change
from airwatch.store.database import Store
from airwatch.store.derivation import newest_batch
from airwatch.store.heard import heard, newest_data, sum_up_heard
from airwatch.store.registry import replace_units
from airwatch.store.results import is_known, landing_counts
from airwatch.store.telemetry import TelemetryWriter
from tests.dashboards.small_fleet import block

NOON = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store


def test_summing_up_changes_nothing_of_what_is_told(tmp_path: Path) -> None:
    ahead = block("K-ahead", NOON.replace(year=2099), received=NOON)
    with Store.open(tmp_path / "a.duckdb") as store:
        writer = TelemetryWriter(store)
        writer.write(decode_batch([block("K-1", NOON - timedelta(hours=2)), ahead]))
        sum_up_heard(store, newest_batch(store))
        writer.write(decode_batch([block("K-1", NOON - timedelta(hours=1)), block("K-2", NOON - timedelta(hours=3))]))
        before, counts = heard(store), landing_counts(store)
        assert is_known(store, "north", "K-2")
        sum_up_heard(store, newest_batch(store))
        assert heard(store).equals(before)
        assert landing_counts(store) == counts
        assert is_known(store, "north", "K-2")
        assert not is_known(store, "north", "K-3")
        assert before["n_messages"].to_list() == [2, 1, 1]
        assert newest_data(store) == NOON  # the arrival of the one whose clock is ahead


def test_another_registry_does_not_count_the_ledger_twice(tmp_path: Path) -> None:
    registered = {"unit": "K-1", "fleet": "north", "kind": "bus", "rule_set": "us"}
    with Store.open(tmp_path / "a.duckdb") as store:
        TelemetryWriter(store).write(decode_batch([block("K-1", NOON)]))
        sum_up_heard(store, newest_batch(store))
        replace_units(store, pl.DataFrame([registered], schema=SCHEMA))
        sum_up_heard(store, newest_batch(store))
        assert landing_counts(store)["messages"] == 1


def test_listeners_are_told_whose_samples_were_committed(tmp_path: Path) -> None:
    told: list[Change] = []
    with Store.open(tmp_path / "a.duckdb") as store:
        store.listen(told.append)
        TelemetryWriter(store).write(decode_batch([block("K-1", NOON)]))
        store.unlisten(told.append)
        TelemetryWriter(store).write(decode_batch([block("K-2", NOON)]))
    (change,) = told
    assert change.what == "samples"
    assert change.spans is not None
    assert change.spans.select("t_first", "t_last").rows() == [(NOON, NOON + timedelta(seconds=59))]
    assert isinstance(change.spans, pl.DataFrame)


def test_a_replayed_recording_has_its_own_now(tmp_path: Path) -> None:
    arrival = NOON - timedelta(days=400)
    with Store.open(tmp_path / "a.duckdb") as store:
        blocks = [block(f"K-{k}", NOON - timedelta(hours=k), received=arrival) for k in range(12)]
        far_off = block("K-ahead", NOON.replace(year=2099), received=arrival)
        TelemetryWriter(store).write(decode_batch([*blocks, far_off]))
        newest = newest_data(store)
        assert newest is not None
        assert NOON <= newest < NOON + timedelta(hours=1)
