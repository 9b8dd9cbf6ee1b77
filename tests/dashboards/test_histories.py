"""Thinned histories against a plain second way: the store's own thinning of all samples."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest

import dashboards.histories
from airwatch.contract.batch import decode_batch
from airwatch.derive.phase_intervals import PHASE_INTERVALS
from airwatch.store.database import Store
from airwatch.store.levels import TANKS
from airwatch.store.results import count_samples, pressure_history
from airwatch.store.retention import roll_up
from airwatch.store.telemetry import TelemetryWriter
from dashboards.figures.pressure import event_traces, phase_traces, pressure_figure, rest_shapes
from dashboards.histories import Histories
from dashboards.marks import EVENTS, unit_marks
from dashboards.measures import Measures
from dashboards.palette import PALETTES
from dashboards.reader import UTC_NAME, Reader
from tests.dashboards.small_fleet import block

START = datetime(2031, 2, 3, 6)  # noqa: DTZ001 as in the store
A_BLOCK = timedelta(seconds=3000)
READER = Reader(None, UTC_NAME)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Land a unit's ten hours at 1 Hz, with a silence in the midst, beside another unit."""
    with Store.open(tmp_path / "a.duckdb") as opened:
        times = [START + k * A_BLOCK for k in range(12) if k != 5]
        messages = [block(unit, t, n=3000) for unit in ("K-1", "K-2") for t in times]
        TelemetryWriter(opened).write(decode_batch(messages))
        yield opened


def extremes(frame: pl.DataFrame) -> list[tuple[float | None, float | None]]:
    return [(frame[name].min(), frame[name].max()) for name in TANKS]  # type: ignore[misc]


@pytest.mark.parametrize(
    ("first_s", "last_s", "points"),
    [(0, 40_000, 200), (0, 40_000, 1000), (17, 39_011, 100), (10_123, 20_456, 50), (14_000, 19_000, 20), (0, 9, 100)],
)
def test_every_extreme_stays_and_every_sample_is_counted(store: Store, first_s: int, last_s: int, points: int) -> None:
    start, end = START + timedelta(seconds=first_s), START + timedelta(seconds=last_s)
    found = Histories(store).read("north", "K-1", start=start, end=end, points=points)
    every = pressure_history(store, "north", "K-1", start=start, end=end, most_points=10**9)
    assert found.n_samples == count_samples(store, "north", "K-1", start=start, end=end) == every.height
    assert extremes(found.frame) == extremes(every)
    assert found.frame["t"].is_sorted()
    assert found.frame.height <= points + 4
    if every.height:
        assert (found.frame["t"][0], found.frame["t"][-1]) == (every["t"][0], every["t"][-1])


def test_each_interval_has_its_own_least_and_greatest(store: Store) -> None:
    end = START + timedelta(seconds=39_999)
    found = Histories(store).read("north", "K-1", start=START, end=end, points=200).frame
    every = pressure_history(store, "north", "K-1", start=START, end=end, most_points=10**9)
    second = every["t"].dt.epoch("s").to_numpy() - int((START - datetime(1970, 1, 1)).total_seconds())  # noqa: DTZ001
    bucket_s = 39_999 // 100
    rows = found.rows(named=True)
    for low, high in zip(rows[::2], rows[1::2], strict=True):
        at = int((low["t"] - START).total_seconds())
        # intervals of 30 s are joined by their begin, so a bucket reaches up to 30 s further
        inside = (second >= at) & (second <= int((high["t"] - START).total_seconds()))
        values = every["primary_kpa"].to_numpy()[inside]
        assert (low["primary_kpa"], high["primary_kpa"]) == (np.min(values), np.max(values))
        assert (high["t"] - low["t"]).total_seconds() <= bucket_s + 31


def test_what_lands_later_or_late_is_seen(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboards.histories, "_RENEW_EVERY_S", 0.0)
    histories = Histories(store)
    before = histories.span("north", "K-1")
    assert before == (START, START + 12 * A_BLOCK - timedelta(seconds=1))
    late, new = START + 5 * A_BLOCK, START + 12 * A_BLOCK
    TelemetryWriter(store).write(decode_batch([block("K-1", late, n=3000)]))
    TelemetryWriter(store).write(decode_batch([block("K-1", new, n=60), block("K-2", START - A_BLOCK, n=60)]))
    assert histories.span("north", "K-1") == (START, new + timedelta(seconds=59))
    whole = histories.read("north", "K-1", start=START, end=new + A_BLOCK, points=100)
    assert whole.n_samples == 12 * 3000 + 60
    histories.close()


def test_what_is_rolled_up_is_still_drawn(store: Store) -> None:
    histories = Histories(store)
    end = START + 12 * A_BLOCK
    before = histories.read("north", "K-1", start=START, end=end, points=100)
    roll_up(store, before=START + 6 * A_BLOCK, interval_s=60.0)
    after = histories.read("north", "K-1", start=START, end=end, points=100)
    assert extremes(after.frame) == extremes(before.frame)
    assert after.n_samples < before.n_samples


def test_those_asked_for_longest_ago_are_dropped(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboards.histories, "MOST_KEPT", 1500)
    histories = Histories(store)
    for unit in ("K-1", "K-2", "K-1"):
        assert histories.span("north", unit) is not None
        assert len(histories._kept) == 1


def test_plotly_takes_what_it_is_not_asked_to_check(store: Store) -> None:
    history = Histories(store).read("north", "K-1", start=START, end=START + A_BLOCK, points=100)
    palette = PALETTES["dark"]
    drawn = pressure_figure(
        history.frame, start=history.start, end=history.end, edges=[], measures=Measures(), palette=palette
    )
    phases, events = unit_marks(store, "north", "K-1", START, START + A_BLOCK)
    assert "engine_off" in phases["phase"].unique()
    marked = pl.DataFrame([(START, "cut_out", "governor cut-out")], schema=EVENTS, orient="row")
    traces = [*drawn["data"], *phase_traces(phases, reader=READER, palette=palette)]
    traces += event_traces(pl.concat([events, marked]), reader=READER, palette=palette)
    shapes = rest_shapes(phases, reader=READER, palette=palette)
    assert len(shapes) == 1
    checked = go.Figure(data=traces, layout={**drawn["layout"], "shapes": shapes})
    assert len(checked.data) == len(traces)
    assert drawn["t"] == sorted(drawn["t"])


def test_times_of_a_figure_are_those_of_the_readers_clocks() -> None:
    # Berlin keeps Central European Time, UTC+1, until 30 March 2031 01:00 UTC (IANA time zone database, rule EU).
    change = datetime(2031, 3, 30, 1)  # noqa: DTZ001 as in the store
    columns = {name: [800.0, 800.0] for name in (*TANKS, "engine_rpm", "speed_kph")}
    history = pl.DataFrame({"t": [change - timedelta(minutes=1), change], **columns})
    drawn = pressure_figure(
        history,
        start=history["t"][0],
        end=change,
        edges=[],
        measures=Measures(),
        palette=PALETTES["light"],
        reader=Reader(None, "Europe/Berlin"),
    )
    assert drawn["layout"]["xaxis"]["range"] == ["2031-03-30 01:59:00.000", "2031-03-30 03:00:00.000"]
    assert drawn["t"][1] - drawn["t"][0] == 61 * 60_000
    assert phase_traces(pl.DataFrame(schema=PHASE_INTERVALS), reader=READER, palette=PALETTES["light"]) == []
