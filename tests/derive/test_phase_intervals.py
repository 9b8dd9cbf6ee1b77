from datetime import timedelta

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.derive.phase_intervals import PHASE_INTERVALS, phase_intervals
from tests.derive.samples import T0, facts, in_runs, samples


def intervals(frame: pl.DataFrame, phase: str, **known: object) -> list[tuple[object, ...]]:
    cut, _ = in_runs(frame)
    found = phase_intervals(cut, facts(**known)).filter(phase=phase)
    times = ("start_early", "start", "end", "end_late")
    rows = found.select("is_known", *times).iter_rows()
    return [(known, *((t - T0).total_seconds() if t else None for t in span)) for known, *span in rows]


def test_a_border_lies_between_two_samples() -> None:
    frame = samples([0, 1, 2, 5, 6, 9, 10], engine_rpm=700, speed_kph=0, service_brake=[0, 0, 1, 1, 0, 0, 1])
    assert intervals(frame, "brake_applied") == [(True, 1, 2, 5, 6), (True, 9, 10, 10, None)]


def test_idle_governed_and_off_follow_engine_speed() -> None:
    rpm = [0, 0, 700, 720, 1500, 1950, 2000, 700, None]
    frame = samples(range(9), engine_rpm=rpm, speed_kph=0)
    assert intervals(frame, "engine_off") == [(True, None, 0, 1, None), (True, 7, 8, 8, None)]  # a start begins a run
    assert intervals(frame, "engine_idle") == [(True, None, 2, 3, 4), (True, 6, 7, 7, 8)]
    assert intervals(frame, "engine_governed") == [(True, 4, 5, 6, 7)]
    assert intervals(frame, "engine_governed", governed_rpm=1500.0) == [(True, 3, 4, 6, 7)]


def test_what_is_not_sent_is_not_known() -> None:
    frame = samples(range(4), engine_rpm=700, compressor_loaded=[1, None, None, 0], trailer="R-1")
    assert intervals(frame, "compressor_loaded") == [(True, None, 0, 0, 1), (False, 0, 1, 2, 3)]
    assert intervals(frame, "trailer_charged") == [(False, None, 0, 3, None)]
    bobtail = samples(range(4), engine_rpm=700, trailer="")
    assert intervals(bobtail, "trailer_charged") == []
    line = samples(range(4), engine_rpm=700, trailer="R-1", trailer_kpa=[0, 304, 312, 800])
    assert intervals(line, "trailer_charged") == [(True, 1, 2, 3, None)]


def test_a_silence_ends_an_interval() -> None:
    frame = samples([0, 10, 400, 410], engine_rpm=700, park_brake=1)
    assert intervals(frame, "parked") == [(True, None, 0, 10, 400), (True, 10, 400, 410, None)]


@settings(deadline=None, max_examples=50)
@given(data=st.data())
def test_the_true_border_is_inside_its_bounds(data: st.DataObject) -> None:
    spacing = data.draw(st.lists(st.integers(1, 10), min_size=3, max_size=60))
    seconds = np.cumsum(spacing)
    on, length = data.draw(st.floats(0, 200)), data.draw(st.floats(1, 200))
    pressed = (seconds >= on) & (seconds < on + length)
    frame = samples(seconds, engine_rpm=700, service_brake=pressed.astype(int).tolist())
    found = intervals(frame, "brake_applied")
    assert len(found) == int(pressed.any())
    for _, early, start, end, late in found:
        assert (-np.inf if early is None else early) < on <= start
        assert end < on + length <= (late or np.inf)


def test_units_do_not_touch_and_nothing_gives_nothing() -> None:
    one = samples(range(3), unit="K-1", engine_rpm=700, service_brake=1)
    two = samples(range(3), unit="K-2", engine_rpm=700, service_brake=1)
    cut, _ = in_runs(pl.concat([one, two]))
    known = pl.concat([facts("K-1"), facts("K-2", governed_rpm=650.0)])
    found = phase_intervals(cut, known)
    assert found.filter(phase="brake_applied").select("run", "start", "end").rows() == [
        (run, T0, T0 + timedelta(seconds=2)) for run in (0, 1)
    ]
    assert found.filter(phase="engine_governed")["run"].to_list() == [1]
    empty = phase_intervals(cut.clear(), known)
    assert empty.is_empty()
    assert empty.schema == PHASE_INTERVALS
