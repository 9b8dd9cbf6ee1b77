"""Pressure histories of any span at any zoom, thinned so that every peak and dip stays visible.

A long span is cut out of intervals of a unit's whole history that are kept in memory; a short one is read anew.
"""

import math
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from airwatch.contract.columns import TIME
from airwatch.store.changes import Change
from airwatch.store.database import Store
from airwatch.store.levels import LEVELS, SPEEDS, TANKS, levels
from airwatch.store.results import count_samples, pressure_history, sample_span
from airwatch.store.telemetry import unit_key

STEP_MS = 30_000
"""The shortest interval kept; a zoom that shows shorter ones reads samples."""

MOST_INTERVALS = 100_000
"""Of one unit: a longer history is kept in longer intervals."""

MOST_KEPT = 2_500_000
"""Intervals of all units, some 60 bytes each; those of whom nobody has asked longest are dropped."""

_RENEW_EVERY_S = 2.0  # what lands of a unit that sends all the time is not read anew for each reader
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 as in the store


@dataclass(frozen=True, slots=True)
class History:
    """``frame`` has ``t`` and the columns of `airwatch.store.results.pressure_history`."""

    frame: pl.DataFrame
    start: datetime
    end: datetime
    n_samples: int
    is_thinned: bool


@dataclass(slots=True)
class _Kept:
    step_ms: int
    rows: pl.DataFrame
    stale_from_ms: int | None
    guard: threading.Lock
    renewed_s: float = -math.inf


class Histories:
    """Reads histories, and keeps the intervals of those asked for last up to date, to two seconds, with what lands."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: OrderedDict[int, _Kept] = OrderedDict()
        self._guard = threading.Lock()
        store.listen(self._note)

    def close(self) -> None:
        """Listen no more."""
        self._store.unlisten(self._note)

    def span(self, fleet: str, unit: str) -> tuple[datetime, datetime] | None:
        """Give the times of a unit's first and last sample, None without any."""
        rows = self._whole(fleet, unit).rows
        if rows.is_empty():
            return None
        return _time(rows["first_ms"][0]), _time(rows["last_ms"].max())  # type: ignore[arg-type]

    def read(self, fleet: str, unit: str, *, start: datetime, end: datetime, points: int) -> History:
        """Give a unit's history between two times, both counted in, in about as many rows as ``points`` at most.

        Each of half as many equal intervals gives its least and its greatest values; where there are no more samples
        than points, they come as they are.
        """
        bucket_ms = max(1, int((end - start) / timedelta(milliseconds=1)) // max(1, points // 2))
        kept = self._whole(fleet, unit)
        if bucket_ms < kept.step_ms:
            n = count_samples(self._store, fleet, unit, start=start, end=end)
            frame = pressure_history(self._store, fleet, unit, start=start, end=end, most_points=points)
            return History(frame, start, end, n, n > points)
        part = self._part(kept, fleet, unit, start, end)
        n = int(part["n"].sum())
        if n <= points and not part.filter(n=0).height:
            frame = pressure_history(self._store, fleet, unit, start=start, end=end, most_points=points)
            return History(frame, start, end, n, is_thinned=False)
        return History(thinned(part, _ms(start), bucket_ms), start, end, n, is_thinned=True)

    def _part(self, kept: _Kept, fleet: str, unit: str, start: datetime, end: datetime) -> pl.DataFrame:
        """Give the intervals between two times; those that reach beyond them are read as far as they lie within."""
        rows, first, last = kept.rows, _ms(start), _ms(end)
        begins = rows["begin_ms"]
        low, high = begins.search_sorted(first - kept.step_ms, "right"), begins.search_sorted(last, "right")
        part = rows.slice(low, high - low)
        is_whole = (pl.col("first_ms") >= first) & (pl.col("last_ms") <= last)
        cut = part.filter(~is_whole)
        if cut.is_empty():
            return part
        pieces = [part.filter(is_whole)]
        for begin in cut["begin_ms"]:
            inside = max(start, _time(begin)), min(end, _time(begin + kept.step_ms - 1))
            pieces.append(levels(self._store, fleet, unit, step_ms=kept.step_ms, start=inside[0], end=inside[1]))
        return pl.concat(pieces).sort("begin_ms")

    def _whole(self, fleet: str, unit: str) -> _Kept:
        key = unit_key(fleet, unit)
        with self._guard:
            kept = self._kept.setdefault(key, _Kept(STEP_MS, pl.DataFrame(schema=LEVELS), 0, threading.Lock()))
            self._kept.move_to_end(key)
        with kept.guard:  # who asks for the same unit meanwhile waits, and does not read it again
            is_fresh = time.monotonic() - kept.renewed_s < _RENEW_EVERY_S
            with self._guard:
                stale_from = None if is_fresh else kept.stale_from_ms
                if stale_from is not None:
                    kept.stale_from_ms = None
            if stale_from is None:
                return _Kept(kept.step_ms, kept.rows, None, kept.guard)
            try:
                self._renew(kept, fleet, unit, stale_from)
            except BaseException:
                with self._guard:
                    kept.stale_from_ms = 0
                raise
            kept.renewed_s = time.monotonic()
            present = _Kept(kept.step_ms, kept.rows, None, kept.guard)
        self._drop_oldest()
        return present

    def _renew(self, kept: _Kept, fleet: str, unit: str, stale_from: int) -> None:
        """Read the intervals from ``stale_from`` on anew."""
        if stale_from == 0:
            span = sample_span(self._store, fleet, unit)
            length_ms = 0 if span is None else (span[1] - span[0]) // timedelta(milliseconds=1)
            kept.step_ms = STEP_MS * max(1, -(-length_ms // (STEP_MS * MOST_INTERVALS)))
            kept.rows = levels(self._store, fleet, unit, step_ms=kept.step_ms, start=None)
            return
        begin = stale_from // kept.step_ms * kept.step_ms
        fresh = levels(self._store, fleet, unit, step_ms=kept.step_ms, start=_time(begin))
        kept.rows = pl.concat([kept.rows.filter(pl.col("begin_ms") < begin), fresh], rechunk=True)
        if kept.rows.height > 2 * MOST_INTERVALS:  # it has grown long: in longer intervals, next time
            with self._guard:
                kept.stale_from_ms = 0

    def _drop_oldest(self) -> None:
        with self._guard:
            total = sum(kept.rows.height for kept in self._kept.values())
            while total > MOST_KEPT and len(self._kept) > 1:
                _, dropped = self._kept.popitem(last=False)
                total -= dropped.rows.height

    def _note(self, change: Change) -> None:
        if change.what != "samples":
            return
        with self._guard:
            if change.spans is None:
                self._kept.clear()
            elif self._kept:
                theirs = change.spans.filter(pl.col("unit_key").is_in(list(self._kept))).drop_nulls("t_first")
                for key, first in theirs.select("unit_key", pl.col("t_first").dt.epoch("ms")).iter_rows():
                    kept = self._kept[key]
                    kept.stale_from_ms = min(first, first if kept.stale_from_ms is None else kept.stale_from_ms)


def thinned(part: pl.DataFrame, start_ms: int, bucket_ms: int) -> pl.DataFrame:
    """Join intervals (columns as `LEVELS`) to longer ones of ``bucket_ms`` from ``start_ms`` on.

    Returns
    -------
    DataFrame
        Two rows an interval, the least of each tank at its first sample and the greatest at its last; speeds are the
        greatest in both.
    """
    if part.is_empty():
        return pl.DataFrame(schema={"t": TIME, **dict.fromkeys([*TANKS, *SPEEDS], pl.Float64())})
    bucket = np.maximum(0, (part["begin_ms"].to_numpy() - start_ms) // bucket_ms)
    edges = np.flatnonzero(np.r_[True, bucket[1:] != bucket[:-1]])
    columns: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for name in [*TANKS, *SPEEDS]:
        most = part[f"{name}_max"].cast(pl.Float64).to_numpy(allow_copy=True)
        least = part[f"{name}_min"].cast(pl.Float64).to_numpy(allow_copy=True) if name in TANKS else None
        high = np.fmax.reduceat(most, edges)
        low = high if least is None else np.fmin.reduceat(least, edges)
        columns[name] = np.stack([low, high], axis=1).ravel()
    times = [
        np.minimum.reduceat(part["first_ms"].to_numpy(), edges),
        np.maximum.reduceat(part["last_ms"].to_numpy(), edges),
    ]
    t = pl.Series("t", np.stack(times, axis=1).ravel()).cast(pl.Datetime("ms")).cast(TIME)
    return pl.DataFrame({"t": t, **columns}).with_columns(pl.exclude("t").fill_nan(None))


def _ms(t: datetime) -> int:
    return (t - _EPOCH) // timedelta(milliseconds=1)


def _time(ms: int) -> datetime:
    return _EPOCH + timedelta(milliseconds=ms)
