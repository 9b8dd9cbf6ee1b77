"""Streams of values to samples: one row for each pressure frame, and one a second where only the engine was heard."""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from airwatch.can.signals import SignalTable
from airwatch.can.values import Stream
from airwatch.contract.columns import COLUMNS, TIME, Column

TANKS = ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa")
MOTION = ("engine_rpm", "speed_kph")
_SECOND_US = 1_000_000


def join_samples(
    streams: Sequence[Stream], table: SignalTable, *, window_us: int = 2_000_000, gap_us: int = 1_500_000
) -> pl.DataFrame:
    """Make samples out of the valid values of one unit.

    A frame with a valid tank pressure gives a sample its time. If several messages or senders carry one, the first of
    the table's messages (B1) from its preferred sender does; the others (AIR1, other senders) fill in only where
    nothing better was heard within ``gap_us`` on either side. Where no pressure was heard within ``gap_us`` but
    engine or road speed was, samples stand at whole seconds of UTC, each at the end of a second in which it was heard.

    Each column holds the last valid value not older than ``window_us``; a later value is never taken. Of several
    signals and senders the best that has one is taken, in the order of ``streams``; a measured value at the end of
    its range may be cut off there and gives way to the others.

    Parameters
    ----------
    streams : sequence of Stream, best first
    table : SignalTable
        For the order of messages.
    window_us, gap_us : int
        Microseconds.

    Returns
    -------
    DataFrame, sorted by ``t``, which is unique
        ``t`` and every sample column of the contract; a column that was never sent is all null.
    """
    at_us = _sample_times(streams, table, gap_us=gap_us)
    times = pl.Series("t", at_us, dtype=pl.Int64).cast(TIME)
    return pl.DataFrame([times, *(_column(column, streams, at_us, window_us) for column in COLUMNS)])


def _sample_times(streams: Sequence[Stream], table: SignalTable, *, gap_us: int) -> NDArray[np.int64]:
    order = [message.pgn for message in table.messages]
    senders: dict[tuple[int, tuple[int, int], int], list[NDArray[np.int64]]] = defaultdict(list)
    for stream in streams:
        if stream.signal.feeds in TANKS:
            rank = stream.signal.rank(stream.source_address)
            senders[order.index(stream.signal.pgn), rank, stream.channel].append(stream.t_us)
    taken = np.empty(0, dtype=np.int64)
    for _, heard in sorted(senders.items(), key=lambda item: item[0]):
        taken = _fill(taken, np.unique(np.concatenate(heard)), gap_us)
    if motion := [stream.t_us for stream in streams if stream.signal.feeds in MOTION]:
        seconds = np.unique(np.concatenate([_whole_seconds(t_us) for t_us in motion])) * _SECOND_US
        taken = _fill(taken, seconds, gap_us)
    return taken


def _whole_seconds(t_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give the seconds at whose end or before some times lie, which are in order."""
    seconds = -(-t_us // _SECOND_US)
    return seconds[np.flatnonzero(np.diff(seconds, prepend=seconds[0] - 1))]


def _fill(taken: NDArray[np.int64], more: NDArray[np.int64], gap_us: int) -> NDArray[np.int64]:
    """Add those of ``more`` that lie farther than ``gap_us`` from all of ``taken``; both sorted."""
    if not len(taken):
        return more
    after = np.searchsorted(taken, more)
    since = more - taken[np.maximum(after - 1, 0)]
    until = taken[np.minimum(after, len(taken) - 1)] - more
    is_far = ((after == 0) | (since > gap_us)) & ((after == len(taken)) | (until > gap_us))
    return np.sort(np.concatenate([taken, more[is_far]]))


def _column(column: Column, streams: Sequence[Stream], at_us: NDArray[np.int64], window_us: int) -> pl.Series:
    feeding = [stream for stream in streams if stream.signal.feeds == column.name]
    values = [stream.last(at_us, window_us=window_us) for stream in feeding]
    if not column.is_switch and len(values) > 1:
        ends = (stream.signal.high for stream in feeding)
        values = [np.where(value < end, value, np.nan) for value, end in zip(values, ends, strict=True)] + values
    best = np.full(len(at_us), np.nan)
    for value in values:
        best = np.where(np.isnan(best), value, best)
    return pl.Series(column.name, best).fill_nan(None).cast(column.dtype)
