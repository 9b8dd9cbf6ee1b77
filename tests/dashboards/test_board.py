"""The board: made anew after a change and only then, the same as if it were read for each reader."""

import threading
from datetime import datetime, timedelta

import polars as pl
import pytest

import dashboards.board
from airwatch.alerts.lifecycle import Step
from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, replace_windows
from airwatch.store.results import newest_readings, readings_of
from dashboards.board import Board
from dashboards.data_state import with_data_state
from dashboards.measures import Measures
from dashboards.newest import newest_of_each
from dashboards.spark import HEIGHT, spark
from pipelines.alerts import take_step
from tests.dashboards.small_fleet import NEWEST, ORDER

LEAK = "772011b3fce89477"


def test_it_is_made_once_for_all_readers_and_anew_after_a_change(changed_store: Store) -> None:
    board = Board(changed_store)
    first = board.current()
    assert board.current() is first
    assert first.fleet(Measures("psi")) is first.fleet(Measures("psi"))
    take_step(changed_store, Step(LEAK, "dismissed", "J. Doe", NEWEST, "gauge hose was off"))
    second = board.current()
    assert (first.number, second.number) == (1, 2)
    found = {row["unit"]: row["need"] for row in second.fleet(Measures()).units.iter_rows(named=True)}
    assert found["K-leak"] == "fail"
    assert first.fleet(Measures()).units["need"][0] == "alert"  # who holds the old one, keeps it


def test_a_big_board_is_made_beside_and_readers_get_the_last_one(
    changed_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dashboards.board, "_AT_ONCE_S", -1.0)  # so that this small one counts as big
    monkeypatch.setattr(dashboards.board, "_LEAST_REST_S", 0.0)
    board, is_made = Board(changed_store), {1: threading.Event(), 2: threading.Event()}
    board.when_new(lambda number: is_made[number].set())
    board.start()
    try:
        assert is_made[1].wait(60)
        before = board.current()
        take_step(changed_store, Step(LEAK, "dismissed", "J. Doe", NEWEST, "gauge hose was off"))
        assert is_made[2].wait(60)
        assert board.current().number == before.number + 1
    finally:
        board.stop()


def test_newest_readings_are_those_of_the_whole_history(changed_store: Store) -> None:
    for unit in ORDER:
        kept = newest_readings(changed_store, "north", unit)
        assert kept.sort("check", "test", "circuit", "part", nulls_last=True).equals(
            newest_of_each(readings_of(changed_store, "north", unit))
        )


def test_newest_reading_falls_back_to_an_older_one_when_its_run_is_derived_anew(changed_store: Store) -> None:
    before = newest_readings(changed_store, "north", "K-leak").filter(check="leak_static")["value"].to_list()
    run = NEWEST - timedelta(hours=30)
    window = pl.DataFrame(
        [("north", "K-leak", run, None, 0)], schema=WINDOWS, orient="row"
    )  # of the three holds only the oldest began before it
    replace_windows(changed_store, window, pl.DataFrame(schema=RUNS), pl.DataFrame(schema=READINGS))
    after = newest_readings(changed_store, "north", "K-leak").filter(check="leak_static")["value"].to_list()
    assert (before, after) == ([32.0], [30.0])


def test_data_state_says_what_is_wrong_with_the_data_and_silence_weighs_more() -> None:
    now = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store
    rows = [("a", now), ("b", now), ("c", now - timedelta(days=4)), ("d", None)]
    states = pl.DataFrame(rows, schema={"unit": pl.String, "last_t": pl.Datetime("us")}, orient="row").with_columns(
        fleet=pl.lit("north")
    )
    flags = {"unit": ["b", "b", "c"], "flags": ["clock ahead; many nulls", "many nulls", "clock ahead"]}
    quality = pl.DataFrame(flags).with_columns(fleet=pl.lit("north"))
    found = with_data_state(states, quality, now).select("data", "data_flags").rows()
    assert found == [
        ("arriving", ""),
        ("faulty", "clock ahead; many nulls"),
        ("silent", "clock ahead"),
        ("never", ""),
    ]


def test_a_spark_needs_two_days_and_leaves_out_an_edge_far_away() -> None:
    day = NEWEST.date()
    assert spark([(day, 1.0)], edges=[], days=30, until=day, text="") is None
    line = spark([(day - timedelta(days=30), 10.0), (day, 20.0)], edges=[25.0, 90.0], days=30, until=day, text="")
    assert line is not None
    assert len(line.edges_y) == 1
    assert line.edges_y[0] < line.last_y  # the near edge lies above the newest value
    assert line.line.split()[0].startswith("2.5,")
    flat = spark([(day - timedelta(days=1), 5.0), (day, 5.0)], edges=[], days=30, until=day, text="")
    assert flat is not None
    assert flat.last_y == HEIGHT / 2
