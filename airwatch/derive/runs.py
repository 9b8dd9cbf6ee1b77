"""Runs: from one engine start to the next. All that is measured from samples is measured within one run."""

import numpy as np
import polars as pl

from airwatch.contract.columns import SAMPLE_SCHEMA
from airwatch.derive.frames import UNIT, require, seconds
from airwatch.derive.tuning import Runs, shipped_tuning


def assign_runs(samples: pl.DataFrame, tuning: Runs | None = None) -> pl.DataFrame:
    """Cut samples that have their phases into runs; add ``run`` (u32, rising with unit and time).

    A run begins at a unit's first sample, at an engine start after a stop of at least ``stall_s``, after a silence of
    more than ``silence_h``, and, in a run longer than ``longest_h``, at the first sample past that length, counted
    from the cut before. Each border depends only on what lies shortly before it, so a window that begins at one
    border is cut as the whole would be.

    Parameters
    ----------
    samples : DataFrame
        Sorted by ``fleet, unit, t``, with ``is_running``.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, pl.Schema({**SAMPLE_SCHEMA, "is_running": pl.Boolean()}), "assign_runs")
    tuning = tuning or shipped_tuning().runs
    t = pl.col("t")
    is_other = pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in UNIT).fill_null(value=True)
    last_running = pl.when("is_running").then(t).forward_fill().shift(1).over(UNIT)
    was_off = ~pl.col("is_running").shift(1).over(UNIT).fill_null(value=False)
    is_long_off = (seconds(t - last_running) >= tuning.stall_s).fill_null(value=True)
    is_start = pl.col("is_running") & was_off & is_long_off
    is_after_silence = (seconds(t - t.shift(1)) > tuning.silence_h * 3600.0).fill_null(value=False)
    marks = samples.select(
        (is_other | is_start | is_after_silence).alias("begins"),
        (pl.col("is_running") | is_long_off).alias("may_cut"),  # not inside a stall, whose end would look like a start
        t_us=t.dt.epoch("us"),
    )
    starts = _cut_long(*(marks[name].to_numpy() for name in marks.columns), longest_us=round(tuning.longest_h * 3.6e9))
    return samples.with_columns(run=pl.Series(np.cumsum(starts) - 1, dtype=pl.UInt32))


def _cut_long(begins: np.ndarray, may_cut: np.ndarray, t_us: np.ndarray, *, longest_us: int) -> np.ndarray:
    """Cut what is longer than ``longest_us``; a loop over the few long runs, each cut counted from the one before."""
    starts = begins.copy()
    first = np.flatnonzero(begins)
    last = np.append(first[1:], begins.size) - 1
    for low, high in zip(first, last, strict=True):
        if t_us[high] - t_us[low] < longest_us:
            continue
        places = low + np.flatnonzero(may_cut[low : high + 1])
        at = low
        while (next_ := int(np.searchsorted(t_us[places], t_us[at] + longest_us))) < places.size:
            at = places[next_]
            starts[at] = True
    return starts


def run_table(samples: pl.DataFrame) -> pl.DataFrame:
    """Give one row a run: ``run, fleet, unit, run_start, run_end, n_samples, trailer``.

    ``trailer`` is the one coupled for most of the samples that tell, "" for bobtail, null where none tells.
    """
    return samples.group_by("run", maintain_order=True).agg(
        pl.col("fleet").first(),
        pl.col("unit").first(),
        run_start=pl.col("t").first(),
        run_end=pl.col("t").last(),
        n_samples=pl.len().cast(pl.Int64),
        trailer=pl.col("trailer").drop_nulls().mode(maintain_order=True).first(),
    )
