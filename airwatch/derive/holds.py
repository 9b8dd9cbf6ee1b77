"""Holds: stretches of one run in which the engine is off, the unit stands and nobody works the brakes.

Three states, each with its check: parking brake set, parking brake released, and service brake held on.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.tuning import Leak

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STATES = ("leak_static", "leak_released", "leak_applied")
_COLUMNS = ["run", "t", "is_braking", "park_brake", "trailer", "application_kpa"]


@dataclass(frozen=True, slots=True)
class Holds:
    """Some holds and their samples.

    Attributes
    ----------
    state : array (holds,)
        Index into `STATES`.
    run : array (holds,)
    first : array (holds,)
        Row of the first sample in the frame of all samples.
    run_first : array (holds,)
        Row of the first sample of its run.
    start_us, skip_s, off_s : array (holds,)
        When the hold began; how much of its beginning is left to settle; how long the engine had been off when the
        hold began, at least.
    trailer : Series (holds,)
    of, t_s : array (rows,)
        Hold of each sample, and its time since the hold began.
    row : array (rows,)
        Row of the sample in the frame of all samples.
    """

    state: Ints
    run: Ints
    first: Ints
    run_first: Ints
    start_us: Ints
    skip_s: Floats
    off_s: Floats
    trailer: pl.Series
    of: Ints
    t_s: Floats
    row: Ints


def find_holds(samples: pl.DataFrame, tuning: Leak) -> Holds:
    """Find the holds that last at least ``shortest_s``.

    A hold ends where engine, motion, brake pedal, parking brake or coupled trailer changes, and at a silence of more
    than ``longest_gap_s``. A parking brake switch that is not sent is taken to be as it was last sent in the run, and
    set where it never was. A unit whose application pressure is sent counts as steady while that stays near its median.

    Parameters
    ----------
    samples : DataFrame
        With phases and runs, sorted by ``run, t``.
    """
    quiet = samples.select(~(pl.col("is_running") | pl.col("is_moving")))["is_running"]
    rows = samples.select(_COLUMNS).filter(quiet)
    at = quiet.arg_true().to_numpy().astype(np.int64)
    t_us = rows["t"].to_physical().to_numpy()
    is_new_run = pl.col("run") != pl.col("run").shift(1)
    park = pl.when(is_new_run.fill_null(value=True)).then(pl.col("park_brake").fill_null(1)).otherwise("park_brake")
    marks = rows.select(
        state=pl.when("is_braking").then(2).when(park.forward_fill() == 0).then(1).otherwise(0).cast(pl.Int8),
        is_other=is_new_run.fill_null(value=True) | pl.col("trailer").ne_missing(pl.col("trailer").shift(1)),
    )
    state = marks["state"].to_numpy()
    begins = marks["is_other"].to_numpy().copy()
    begins[1:] |= (np.diff(at) != 1) | (state[1:] != state[:-1]) | (np.diff(t_us) > tuning.longest_gap_s * 1e6)
    first = np.flatnonzero(begins)
    last = np.append(first[1:], at.size)[: first.size] - 1
    lasts_s = (t_us[last] - t_us[first]) / 1e6
    keep = (lasts_s >= tuning.shortest_s) & (last - first + 1 >= tuning.fewest_samples)
    keep[keep] = _is_steady(
        rows["application_kpa"], state[first[keep]] == len(STATES) - 1, first[keep], last[keep], tuning
    )
    first, last, lasts_s = first[keep], last[keep], lasts_s[keep]
    sizes = last - first + 1
    of = np.repeat(np.arange(first.size), sizes)
    row = np.arange(of.size) + np.repeat(at[first] - (np.cumsum(sizes) - sizes), sizes)  # a hold's follow each other
    run_first = np.searchsorted(samples["run"].to_numpy(), samples["run"].gather(at[first]).to_numpy()).astype(np.int64)
    return Holds(
        state=state[first].astype(np.int64),
        run=rows["run"].gather(first).to_numpy().astype(np.int64),
        first=at[first],
        run_first=run_first,
        start_us=t_us[first],
        skip_s=np.clip(
            lasts_s * tuning.settle_share, np.minimum(tuning.settle_least_s, lasts_s / 3.0), tuning.settle_most_s
        ),
        off_s=_off_s(samples, run_first, at[first], t_us[first]),
        trailer=rows["trailer"].gather(first),
        of=of,
        t_s=(samples["t"].to_physical().to_numpy()[row] - np.repeat(t_us[first], sizes)) / 1e6,
        row=row,
    )


def _off_s(samples: pl.DataFrame, run_first: Ints, first: Ints, start_us: Ints) -> Floats:
    """Give the time from the last sample with the engine running, or from the run's first, to each hold."""
    is_stop = pl.col("is_running") & ~pl.col("is_running").shift(-1, fill_value=False)
    stops = samples.select(is_stop.arg_true()).to_series().to_numpy().astype(np.int64)
    before = np.searchsorted(stops, first) - 1
    stop = np.where(before >= 0, stops[np.maximum(before, 0)], -1) if stops.size else np.full(first.size, -1)
    since = np.maximum(stop, run_first)
    off: Floats = (start_us - samples["t"].gather(since).to_physical().to_numpy()) / 1e6
    return off


def _is_steady(application: pl.Series, applied: Any, first: Ints, last: Ints, tuning: Leak) -> npt.NDArray[np.bool_]:
    """Say whether each hold's application pressure, where sent, stays near its median once it has come up."""
    steady = np.ones(first.size, dtype=bool)
    if application.null_count() == len(application):
        return steady
    for i in np.flatnonzero(applied):
        kpa = application[int(first[i]) : int(last[i]) + 1].drop_nulls().to_numpy()
        if kpa.size:
            middle = np.median(kpa)
            off = np.abs(kpa - middle) > max(tuning.steady_kpa, tuning.steady_share * middle)
            steady[i] = off.mean() <= tuning.unsteady_share
    return steady
