"""When the compressor was loaded: from the governor's turns, on a clock that counts engine-on time."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, require
from airwatch.derive.turn_bounds import TURNS

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

LOADED = pl.Schema(
    {
        "run": pl.UInt32(),
        "begin": pl.Datetime("us"),
        "end": pl.Datetime("us"),
        "loaded_s": pl.Float64(),
        "rounding_s": pl.Float64(),
        "sampling_s": pl.Float64(),
        "before_s": pl.Float64(),
        "is_first": pl.Boolean(),
        "is_whole": pl.Boolean(),
    }
)
"""One row a time with the compressor loaded, sorted by ``run, begin``; seconds of engine-on time.

``rounding_s`` is what one sensor step of the rise lasts (0 where the state is reported): an error that all of a run's
rows share; ``sampling_s`` is how far the two ends may lie apart for the spacing of samples; ``before_s`` is how much
earlier a first fill may have begun. ``is_first`` marks the fill from the engine's start, ``is_whole`` one that ended
with a cut-out.
"""


@dataclass(frozen=True, slots=True)
class EngineClock:
    """The running samples on one rising axis of seconds, run after run, and engine-on time up to each.

    Attributes
    ----------
    row : array of int
        Place of each running sample in the frame of samples.
    run : array of int
        Its run.
    axis_s, on_s : array of float
        Place on the axis; engine-on seconds since the frame began, silences left out.
    t_us : array of int
        Its time.
    first, last : array of int
        First and last place of each run that has running samples, in ``row``.
    """

    row: Places
    run: npt.NDArray[np.uint32]
    axis_s: Floats
    on_s: Floats
    t_us: Places
    first: Places
    last: Places

    def place(self, run: npt.NDArray[np.uint32], t_us: Places) -> Floats:
        """Give the place on the axis of times within runs, brought inside each run's running samples."""
        at = np.searchsorted(self.run[self.first], run)
        begin, end = self.first[at], self.last[at]
        axis: Floats = self.axis_s[begin] + np.clip((t_us - self.t_us[begin]) / 1e6, 0.0, None)
        return np.minimum(axis, self.axis_s[end])

    def on_at(self, axis_s: Floats) -> Floats:
        """Give engine-on seconds at places of the axis."""
        if not self.row.size:
            return np.zeros(axis_s.size)
        on: Floats = np.interp(axis_s, self.axis_s, self.on_s)
        return on


def engine_clock(samples: pl.DataFrame, longest_gap_s: float) -> EngineClock:
    """Set the clock up; a time between samples longer than ``longest_gap_s`` is not engine-on time."""
    require(samples, RUN_SAMPLES, "engine_clock")
    row = np.flatnonzero(samples["is_running"].to_numpy())
    run = samples["run"].to_numpy()[row]
    t_us = samples["t"].to_physical().to_numpy()[row]
    step_s = np.zeros(row.size)
    np.divide(np.diff(t_us), 1e6, out=step_s[1:])
    is_new = np.ones(row.size, dtype=bool)
    is_new[1:] = run[1:] != run[:-1]
    step_s[is_new] = 1.0
    axis_s = np.cumsum(step_s)
    step_s[is_new | (step_s > longest_gap_s)] = 0.0
    first = np.flatnonzero(is_new)
    last = np.append(first[1:], row.size) - 1
    return EngineClock(row, run, axis_s, np.cumsum(step_s), t_us, first, last)


def loaded_spans(turns: pl.DataFrame, clock: EngineClock) -> pl.DataFrame:
    """Give the times with the compressor loaded, of runs that have turns.

    It is loaded from each cut-in to the next cut-out, from a last cut-in to the end of engine-on time, and from a
    first fill's beginning to a first cut-out.

    Parameters
    ----------
    turns : DataFrame
        Columns as `TURNS`, sorted by ``run, t``.

    Returns
    -------
    DataFrame
        Columns as `LOADED`.
    """
    require(turns, TURNS, "loaded_spans")
    if turns.is_empty() or not clock.row.size:
        return pl.DataFrame(schema=LOADED)
    run = turns["run"].to_numpy()
    t_us = turns["t"].to_physical().to_numpy()
    is_in = (turns["kind"] == "cut_in").to_numpy()
    spread = (turns["early_s"] + turns["late_s"]).to_numpy()
    step_s = (turns["step_kpa"] / turns["rise_kpa_s"]).fill_null(0.0).to_numpy()
    from_us = turns["loaded_from"].to_physical().fill_null(-1).to_numpy()
    at = np.searchsorted(clock.run[clock.first], run)
    end_us, start_us = clock.t_us[clock.last[at]], clock.t_us[clock.first[at]]
    same_next = np.append(run[1:] == run[:-1], [False])
    next_out = same_next & np.append(~is_in[1:], [False])
    is_open = is_in & ~same_next
    whole = np.flatnonzero(is_in & next_out)
    left = np.flatnonzero(is_open)
    fill = np.flatnonzero(~is_in & (from_us >= 0))

    def frame(
        places: Places,
        begin: Places,
        end: Places,
        step: Floats,
        ends: Floats,
        before: Floats,
        *,
        first: bool,
        done: bool,
    ) -> pl.DataFrame:
        on = [clock.on_at(clock.place(run[places], edge)) for edge in (begin, end)]
        n = places.size
        return pl.DataFrame(
            {
                "run": run[places],
                "begin": begin.astype("datetime64[us]"),
                "end": end.astype("datetime64[us]"),
                "loaded_s": np.maximum(on[1] - on[0], 0.0),
                "rounding_s": step,
                "sampling_s": ends,
                "before_s": before,
                "is_first": np.full(n, first),
                "is_whole": np.full(n, done),
            },
            schema=LOADED,
        )

    zero = np.zeros(run.size)
    parts = [
        frame(
            whole,
            t_us[whole],
            t_us[whole + 1],
            (step_s[whole] + step_s[whole + 1]) / 2,
            np.hypot(
                np.maximum(spread[whole] - step_s[whole], 0.0), np.maximum(spread[whole + 1] - step_s[whole + 1], 0.0)
            ),
            zero[whole],
            first=False,
            done=True,
        ),
        frame(left, t_us[left], end_us[left], step_s[left] / 2, spread[left], zero[left], first=False, done=False),
        frame(
            fill,
            from_us[fill],
            t_us[fill],
            step_s[fill] / 2,
            spread[fill],
            np.maximum(from_us[fill] - start_us[fill], 0) / 1e6,
            first=True,
            done=True,
        ),
    ]
    return pl.concat(parts).sort("run", "begin")
