"""Runs: from one engine start to the next. All that is measured from samples is measured within one run."""

import numpy as np
import polars as pl

from airwatch.contract.columns import SAMPLE_SCHEMA
from airwatch.derive.frames import UNIT, require
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
    if samples.is_empty():
        return samples.with_columns(run=pl.Series(dtype=pl.UInt32))
    is_other = pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in UNIT).fill_null(value=True)
    is_unit, is_running, t_us = (
        series.to_numpy() for series in samples.select(is_other, "is_running", pl.col("t").dt.epoch("us"))
    )
    at = np.arange(t_us.size)
    unit_at = np.maximum.accumulate(np.where(is_unit, at, 0))
    ran_at = np.maximum.accumulate(np.where(is_running, at, -1))
    ran_at = np.append(-1, ran_at[:-1])  # before this sample
    has_run = ran_at >= unit_at
    is_long_off = ~has_run | (t_us - t_us[ran_at] >= round(tuning.stall_s * 1e6))
    was_off = np.append(True, ~is_running[:-1]) | is_unit
    is_after_silence = np.append(True, np.diff(t_us) > round(tuning.silence_h * 3.6e9))
    starts = _cut_long(
        is_unit | (is_running & was_off & is_long_off) | is_after_silence,
        is_running | is_long_off,  # not inside a stall, whose end would look like a start
        t_us,
        longest_us=round(tuning.longest_h * 3.6e9),
    )
    return samples.with_columns(run=pl.Series(np.cumsum(starts) - 1, dtype=pl.UInt32))


def _cut_long(begins: np.ndarray, may_cut: np.ndarray, t_us: np.ndarray, *, longest_us: int) -> np.ndarray:
    """Cut what is longer than ``longest_us``; a loop over the few long runs, each cut counted from the one before."""
    starts = begins.copy()
    first = np.flatnonzero(begins)
    last = np.append(first[1:], begins.size) - 1
    is_long = t_us[last] - t_us[first] >= longest_us
    for low, high in zip(first[is_long], last[is_long], strict=True):
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
    starts = run_starts(samples)
    ends = np.append(starts[1:], samples.height)[: starts.size]
    named = samples.select("run", "fleet", "unit", run_start="t")[starts]
    return (
        named.with_columns(run_end=samples["t"][ends - 1], n_samples=pl.Series(ends - starts, dtype=pl.Int64))
        .join(_coupled(samples), on="run", how="left", maintain_order="left")
        .select("run", "fleet", "unit", "run_start", "run_end", "n_samples", "trailer")
    )


def run_starts(samples: pl.DataFrame) -> np.ndarray:
    """Give the row at which each run begins."""
    run = samples["run"].to_numpy()
    return np.flatnonzero(np.append(run.size > 0, np.diff(run) != 0)[: run.size])


def _coupled(samples: pl.DataFrame) -> pl.DataFrame:
    """Give ``run, trailer``: counted over stretches of the same trailer, which are few."""
    is_new = (pl.col("trailer").ne_missing(pl.col("trailer").shift(1))) | (pl.col("run") != pl.col("run").shift(1))
    stretches = (
        samples.lazy()
        .select("run", "trailer")
        .with_row_index("at")
        .filter(is_new.fill_null(value=True))
        .with_columns(n=pl.col("at").shift(-1, fill_value=samples.height).cast(pl.Int64) - pl.col("at"))
        .drop_nulls("trailer")
    )
    return (
        stretches.group_by("run", "trailer", maintain_order=True)
        .agg(pl.col("n").sum())
        .group_by("run", maintain_order=True)
        .agg(pl.col("trailer").sort_by("n", descending=True, maintain_order=True).first())
        .collect()
    )
