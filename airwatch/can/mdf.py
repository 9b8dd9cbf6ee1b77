"""CAN frames of MDF 4 recordings (`.mf4`, ASAM bus logging), whole columns at a time.

asammdf reads them. It is large and only needed here, so it is an extra (`pip install 'airwatch[mf4]'`), imported when
the first such file is opened.
"""

import importlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from airwatch.can.counts import LineCounts
from airwatch.contract.columns import TIME
from airwatch.errors import RecordingError

_DATA, _ERROR, _REMOTE = "CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame"
_SECOND_NS = 10**9
_SECOND_US = 1e6
_LATEST_US = 253_402_214_400_000_000  # 9999-12-31T00:00:00Z
_EXTENDED_FLAG, _ID_BITS, _MAX_STANDARD = 0x80000000, 0x1FFFFFFF, 0x7FF
_CLASSIC_BYTES = 8

_Part = tuple[pl.DataFrame, LineCounts]


@dataclass(slots=True)
class _Group:
    """A channel group of data frames while it is being read; ``ahead`` is what is not given yet."""

    number: int
    n_records: int
    at: int = 0
    ahead: pl.DataFrame = field(default_factory=pl.DataFrame)

    @property
    def is_read(self) -> bool:
        return self.at >= self.n_records


def read_mf4(path: Path, *, frames_a_chunk: int) -> Iterator[_Part]:
    """Read the CAN frames of all channel groups, put together in order of time.

    Parameters
    ----------
    path : Path
        MDF 4 with groups ``CAN_DataFrame``; other groups than those of CAN are passed over.
    frames_a_chunk : int
        About how many frames are held at once.

    Yields
    ------
    frames : DataFrame
        ``t, can_id, data, channel``; 29-bit classic data frames.
    counts : LineCounts
        Of everything read since the last chunk. Error and remote frames are counted with the first.

    Raises
    ------
    RecordingError
        asammdf is not installed, or the file can't be read, is not MDF 4 or has no CAN frames.
    """
    try:
        asammdf = importlib.import_module("asammdf")
    except ImportError as err:
        raise RecordingError(f"{path}: reading .mf4 needs asammdf; pip install 'airwatch[mf4]'") from err
    try:
        with path.open("rb"):
            pass
        with asammdf.MDF(path, process_bus_logging=False) as mdf:  # otherwise it reads all frames at once when opened
            yield from _read(mdf, path, frames_a_chunk)
    except RecordingError:
        raise
    except Exception as err:  # asammdf raises whatever a broken file leads it to
        raise RecordingError(
            f"{path}: can't be read as MDF 4: {type(err).__name__} {err}; check the path and that it is whole"
        ) from err


def _read(mdf: Any, path: Path, frames_a_chunk: int) -> Iterator[_Part]:
    if not str(mdf.version).startswith("4"):
        raise RecordingError(f"{path}: is MDF {mdf.version}; CAN logging is read from MDF 4")
    n_records = dict.fromkeys((_DATA, _ERROR, _REMOTE), 0)
    groups = []
    for number, group in enumerate(mdf.groups):
        names = {channel.name for channel in group.channels}
        for name in n_records.keys() & names:
            n_records[name] += group.channel_group.cycles_nr
            if name == _DATA and group.channel_group.cycles_nr:
                groups.append(_Group(number, group.channel_group.cycles_nr))
    if not groups and not any(n_records.values()):
        raise RecordingError(f"{path}: holds no CAN frames (no channel group {_DATA}); export it with CAN bus logging")
    others = LineCounts(
        n_lines=n_records[_ERROR] + n_records[_REMOTE], n_error=n_records[_ERROR], n_remote=n_records[_REMOTE]
    )
    for frames, counts in _in_order(mdf, groups, max(1, frames_a_chunk // max(1, len(groups)))):
        yield frames, _add(counts, others)
        others = LineCounts()
    if others.n_lines:
        yield _frames([], [], [], []), others


def _in_order(mdf: Any, groups: list[_Group], n_at_once: int) -> Iterator[_Part]:
    """Read all groups side by side: what lies before the earliest end of what is read can be given."""
    while groups:
        counted = LineCounts()
        for group in groups:
            while group.ahead.is_empty() and not group.is_read:
                group.ahead, counts = _records(mdf, group, n_at_once)
                counted = _add(counted, counts)
        ends = [group.ahead["t"].max() for group in groups if not group.is_read and not group.ahead.is_empty()]
        ready = pl.col("t") <= min(ends) if ends else pl.lit(value=True)  # type: ignore[type-var]
        parts = [group.ahead.filter(ready) for group in groups if not group.ahead.is_empty()]
        for group in groups:
            if not group.ahead.is_empty():
                group.ahead = group.ahead.filter(~ready)
        groups = [group for group in groups if not (group.is_read and group.ahead.is_empty())]
        frames = pl.concat(parts) if parts else _frames([], [], [], [])
        if not frames["t"].is_sorted():
            frames = frames.sort("t", maintain_order=True)
        if frames.height or counted.n_lines:
            yield frames, counted


def _records(mdf: Any, group: _Group, n_at_once: int) -> _Part:
    signal = mdf.get(_DATA, group.number, record_offset=group.at, record_count=n_at_once)
    group.at += n_at_once
    samples = signal.samples
    part = {name.rpartition(".")[2]: samples[name] for name in samples.dtype.names or ()}
    if missing := {"ID", "DataBytes"} - part.keys():
        raise ValueError(f"channel group {group.number}: {_DATA} has no {' and no '.join(sorted(missing))}")
    number = part["ID"].astype(np.uint32)
    data = part["DataBytes"]
    if data.ndim != 2 or data.dtype != np.uint8:  # noqa: PLR2004
        raise ValueError(f"channel group {group.number}: {_DATA}.DataBytes is no array of bytes but {data.dtype}")
    size = part["DataLength"] if "DataLength" in part else part.get("DLC", np.full(len(number), data.shape[1]))
    size = size.astype(np.int64)
    has_flag = number & _EXTENDED_FLAG != 0
    is_extended = part["IDE"] != 0 if "IDE" in part else has_flag | ((number & _ID_BITS) > _MAX_STANDARD)
    is_fd = (part["EDL"] != 0 if "EDL" in part else np.zeros(len(number), dtype=bool)) | (size > _CLASSIC_BYTES)
    start_s, start_ns = divmod(mdf.header.abs_time, _SECOND_NS)
    t_us = start_s * _SECOND_US + np.rint(signal.timestamps * _SECOND_US + start_ns / 1000)
    is_bad = ~((t_us >= 0) & (t_us <= _LATEST_US)) | (size > data.shape[1]) & ~is_fd  # NaN is bad, too
    taken = is_extended & ~is_fd & ~is_bad
    counts = LineCounts(
        n_lines=len(number),
        n_frames=int(taken.sum()),
        n_bad=int((is_bad & ~is_fd).sum()),
        n_fd=int(is_fd.sum()),
        n_standard=int((~is_extended & ~is_fd & ~is_bad).sum()),
    )
    channel = part["BusChannel"][taken].tolist() if "BusChannel" in part else [0] * counts.n_frames
    return (
        _frames(
            t_us[taken].astype(np.int64),
            number[taken] & np.uint32(_ID_BITS),
            _bytes(data[taken], size[taken]),
            [f"can{bus:g}" for bus in channel],
        ),
        counts,
    )


def _bytes(data: NDArray[np.uint8], size: NDArray[np.int64]) -> list[bytes]:
    width, flat = data.shape[1], data.tobytes()
    return [flat[at : at + n] for at, n in zip(range(0, len(flat), width), size.tolist(), strict=True)]


def _frames(t_us: Any, can_id: Any, data: list[bytes], channel: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "t": pl.Series(t_us, dtype=pl.Int64).cast(TIME),
            "can_id": pl.Series(can_id, dtype=pl.UInt32),
            "data": pl.Series(data, dtype=pl.Binary),
            "channel": pl.Series(channel, dtype=pl.String),
        }
    )


def _add(one: LineCounts, other: LineCounts) -> LineCounts:
    return LineCounts(**{name: getattr(one, name) + getattr(other, name) for name in LineCounts.__slots__})
