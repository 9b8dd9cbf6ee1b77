from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.derive.phases import add_phases
from airwatch.derive.runs import assign_runs
from airwatch.errors import FrameError
from tests.derive.samples import samples


def borders(frame: pl.DataFrame) -> list:
    cut = assign_runs(add_phases(frame))
    return cut.group_by("run", maintain_order=True).agg(pl.col("t").first())["t"].to_list()


def test_a_run_goes_from_engine_start_to_engine_start() -> None:
    t = np.arange(0, 4000, 10.0)
    rpm = np.where((t > 500) & (t < 1500) | (t > 2500), 650, 0)
    stalled = np.where((t > 1000) & (t < 1040), 0, rpm)
    assert [(b - borders(samples(t))[0]).total_seconds() for b in borders(samples(t, engine_rpm=stalled))] == [
        0,
        510,
        2510,
    ]


@settings(deadline=None, max_examples=60)
@given(
    steps=st.lists(st.sampled_from([1.0, 10.0, 300.0, 4000.0, 30000.0]), min_size=2, max_size=120),
    seed=st.integers(0, 999),
)
def test_a_window_that_begins_at_a_border_is_cut_as_the_whole_is(steps: list[float], seed: int) -> None:
    t = np.cumsum(steps)
    rpm = np.random.default_rng(seed).choice([0.0, 600.0], t.size, p=[0.4, 0.6])
    frame = samples(t, engine_rpm=rpm)
    whole = borders(frame)
    for k, border in enumerate(whole):
        assert borders(frame.filter(pl.col("t") >= border)) == whole[k:]


def test_a_run_longer_than_a_day_is_cut() -> None:
    t = np.arange(0, 60 * 3600, 60.0)
    first, *rest = borders(samples(t, engine_rpm=900))
    assert rest == [first + timedelta(hours=24), first + timedelta(hours=48)]


def test_units_are_told_apart_and_a_wrong_frame_is_named() -> None:
    two = pl.concat([samples([0, 1], unit="K-1", engine_rpm=600), samples([0, 1], unit="K-2", engine_rpm=600)])
    assert assign_runs(add_phases(two))["run"].to_list() == [0, 0, 1, 1]
    with pytest.raises(FrameError, match=r"add_phases needs .*engine_rpm"):
        add_phases(two.drop("engine_rpm"))
    with pytest.raises(FrameError, match=r"assign_runs needs .*is_running"):
        assign_runs(two)
