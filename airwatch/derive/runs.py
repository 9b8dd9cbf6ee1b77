"""Runs: from one engine start to the next. All that is measured from samples is measured within one run."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.contract.columns import SAMPLE_SCHEMA
from airwatch.derive.frames import UNIT, require
from airwatch.derive.tuning import Runs, shipped_tuning

Places = npt.NDArray[np.int64]


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
    units = samples.select(is_other.arg_true()).to_series().to_numpy().astype(np.int64)
    is_running, t_us = samples["is_running"].to_numpy(), samples["t"].to_physical().to_numpy()
    stops = np.flatnonzero(is_running[:-1] & ~is_running[1:])  # the last sample of each time that the engine ran

    def is_long_off(rows: Places) -> npt.NDArray[np.bool_]:
        """Say of samples that follow one without the engine running whether it had not run for ``stall_s``."""
        stop = np.append(-1, stops)[np.searchsorted(stops, rows)]  # the last one before each
        has_run = stop >= units[np.searchsorted(units, rows, side="right") - 1]
        is_long: npt.NDArray[np.bool_] = ~has_run | (t_us[rows] - t_us[stop] >= round(tuning.stall_s * 1e6))
        return is_long

    def may_cut(rows: Places) -> npt.NDArray[np.bool_]:
        """Say which samples are not inside a stall, whose end would look like a start."""
        may = is_running[rows].copy()
        may[~may] = is_long_off(rows[~may])
        return may

    engine_starts = np.flatnonzero(is_running & np.append(True, ~is_running[:-1]))
    silences = np.flatnonzero(np.diff(t_us) > round(tuning.silence_h * 3.6e9)) + 1
    firsts = np.unique(np.concatenate([units, engine_starts[is_long_off(engine_starts)], silences]))
    firsts = _cut_long(firsts, may_cut, t_us, longest_us=round(tuning.longest_h * 3.6e9))
    sizes = np.diff(firsts, append=t_us.size)
    return samples.with_columns(run=pl.Series(np.repeat(np.arange(firsts.size, dtype=np.uint32), sizes)))


def _cut_long(
    firsts: Places, may_cut: Callable[[Places], npt.NDArray[np.bool_]], t_us: Places, *, longest_us: int
) -> Places:
    """Cut what is longer than ``longest_us``; a loop over the few long runs, each cut counted from the one before."""
    lasts = np.append(firsts[1:], t_us.size) - 1
    is_long = t_us[lasts] - t_us[firsts] >= longest_us
    cuts: list[int] = []
    for low, high in zip(firsts[is_long].tolist(), lasts[is_long].tolist(), strict=True):
        places = np.arange(low, high + 1)
        places = places[may_cut(places)]
        place_us = t_us[places]
        at = low
        while (next_ := int(np.searchsorted(place_us, t_us[at] + longest_us))) < places.size:
            at = int(places[next_])
            cuts.append(at)
    return np.union1d(firsts, np.array(cuts, dtype=np.int64))


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
    at = samples.select(is_new.fill_null(value=True).arg_true()).to_series()
    stretches = (
        samples.select("run", "trailer")[at]
        .with_columns(n=at.cast(pl.Int64).extend_constant(samples.height, 1).diff(null_behavior="drop"))
        .drop_nulls("trailer")
    )
    return (
        stretches.group_by("run", "trailer", maintain_order=True)
        .agg(pl.col("n").sum())
        .group_by("run", maintain_order=True)
        .agg(pl.col("trailer").sort_by("n", descending=True, maintain_order=True).first())
    )
