"""The clock of engine-on time and the loaded times on it."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from airwatch.derive.loaded import engine_clock, loaded_spans
from airwatch.derive.turn_bounds import TURNS
from airwatch.derive.turns import governor_turns
from tests.derive.samples import T0, in_runs, samples
from tests.derive.test_governor import cycles
from tests.derive.truth import simulated


def test_the_clock_counts_running_time_of_each_run_and_no_silence() -> None:
    one = samples([0, 1, 2, 50, 51], engine_rpm=900, primary_kpa=800.0)
    two = samples([0, 2, 4], unit="K-2", engine_rpm=[0, 900, 900], primary_kpa=800.0)
    clock = engine_clock(in_runs(pl.concat([one, two]))[0], 30.0)
    on_s = clock.on_s[clock.last] - clock.on_s[clock.first]
    assert on_s.tolist()[0] == 3.0  # the 48 s of silence are none
    assert on_s.tolist()[-1] == 2.0
    assert (np.diff(clock.axis_s) > 0).all()


def test_turns_make_the_loaded_times() -> None:
    cut, _ = in_runs(samples(range(400), engine_rpm=900, primary_kpa=800.0))
    kinds = [("cut_out", 50), ("cut_in", 200), ("cut_out", 240), ("cut_in", 380)]
    turns = pl.DataFrame(
        [
            {
                "run": 0,
                "t": T0 + timedelta(seconds=s),
                "kind": kind,
                "early_s": 1.0,
                "late_s": 1.0,
                "rise_kpa_s": 4.0,
                "step_kpa": 8.0,
                "loaded_from": T0 + timedelta(seconds=10) if s == 50 else None,
            }
            for kind, s in kinds
        ],
        schema={**TURNS},
    )
    spans = loaded_spans(turns, engine_clock(cut, 30.0))
    assert spans["loaded_s"].to_list() == pytest.approx([40, 40, 19])
    assert spans["is_first"].to_list() == [True, False, False]
    assert spans["is_whole"].to_list() == [True, True, False]
    assert spans["before_s"].to_list() == [10, 0, 0]
    assert spans["rounding_s"].to_list() == [1, 2, 1]


def test_loaded_times_of_simulated_units_meet_the_true_ones() -> None:
    frame = simulated(5, 14)
    spans = loaded_spans(governor_turns(frame), engine_clock(frame, 30.0)).filter("is_whole", ~pl.col("is_first"))
    inside = (
        frame.filter("is_running")
        .select("run", "t", "true_loaded")
        .join_asof(spans.select("run", "begin", "end", t="begin"), on="t", by="run", check_sortedness=False)
        .with_columns(ours=(pl.col("t") <= pl.col("end")).fill_null(value=False))
    )
    both = inside.filter(pl.col("ours"))
    assert both["true_loaded"].mean() > 0.95


def test_no_turns_no_times() -> None:
    cut, _ = in_runs(cycles(1, cut_out=880, cut_in=752).head(30))
    assert loaded_spans(governor_turns(cut), engine_clock(cut, 30.0)).is_empty()
