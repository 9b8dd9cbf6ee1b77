"""29-bit ids to parameter groups and senders, and data to one little-endian word; whole frames at a time."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from airwatch.can.counts import CanCounts
from airwatch.contract.columns import TIME
from airwatch.errors import FrameError

Schema: TypeAlias = dict[str, pl.DataType | type[pl.DataType]]

FRAME_SCHEMA: Schema = {"t": TIME, "can_id": pl.UInt32, "data": pl.Binary}
"""Frames as decoders take them; a column ``channel`` (String) may come with them and keeps two buses apart."""

GLOBAL_ADDRESS = 255
_MAX_ID = 0x1FFFFFFF
_BOTH_PAGES = 0b11 << 24  # extended data page and data page: ISO 15765-3
_PDU2 = 240  # a PDU format from here on has no destination: its specific byte is part of the PGN
_WORD_BYTES = 8


@dataclass(frozen=True, slots=True)
class Frames:
    """J1939 frames as columns of equal length, in order of time.

    ``t_us`` is in microseconds since 1970 UTC; ``pgn`` has 18 bits; ``destination`` is 255 where the group has none;
    ``channel`` numbers the buses from 0 in order of their names; ``word`` is the data as a little-endian number,
    filled up with ones, which mean 'not available'; ``data`` is as it came.
    """

    t_us: NDArray[np.int64]
    pgn: NDArray[np.uint32]
    destination: NDArray[np.uint32]
    source: NDArray[np.uint32]
    channel: NDArray[np.uint32]
    word: NDArray[np.uint64]
    data: pl.Series

    def where(self, keep: NDArray[np.bool_]) -> "Frames":
        """Keep some of the frames."""
        return Frames(
            self.t_us[keep],
            self.pgn[keep],
            self.destination[keep],
            self.source[keep],
            self.channel[keep],
            self.word[keep],
            self.data.filter(pl.Series(keep)),
        )


def parameter_group(can_id: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Give the parameter group number of each 29-bit id.

    Parameters
    ----------
    can_id : array of uint32, shape (n,)
        Priority 3 bits, extended data page 1, data page 1, PDU format 8, PDU specific 8, source address 8.

    Returns
    -------
    array of uint32, shape (n,)
        18 bits, both page bits included. With a PDU format below 240 the specific byte is a destination and not part
        of the number (SAE J1939-21; as in juergenH87/python-can-j1939, ``parameter_group_number.py``).
    """
    pgn = (can_id >> 8) & 0x3FFFF
    has_destination = ((can_id >> 16) & 0xFF) < _PDU2
    return np.where(has_destination, pgn & 0x3FF00, pgn).astype(np.uint32)


def select_frames(frames: pl.DataFrame, pgns: Iterable[int]) -> tuple[Frames, CanCounts]:
    """Take the frames of some parameter groups, in order of time.

    Parameters
    ----------
    frames : DataFrame
        As ``FRAME_SCHEMA``, any row order; ``channel`` may be missing.
    pgns : iterable of int
        The groups to keep.

    Returns
    -------
    Frames, CanCounts
        The counts of frames; nothing else is counted here.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    wrong = {name: frames.schema.get(name) for name, want in FRAME_SCHEMA.items() if frames.schema.get(name) != want}
    if wrong or frames.schema.get("channel", pl.String) != pl.String:
        raise FrameError(f"CAN frames need {FRAME_SCHEMA}, and String if there is a channel; got {frames.schema}")
    whole = frames.drop_nulls(list(FRAME_SCHEMA))
    can_id = whole["can_id"].to_numpy()
    is_j1939 = (can_id <= _MAX_ID) & (can_id & _BOTH_PAGES != _BOTH_PAGES)
    pgn = parameter_group(can_id)
    wanted = is_j1939 & np.logical_or.reduce([pgn == number for number in pgns])
    used = whole.filter(pl.Series(wanted))
    if not used["t"].is_sorted():
        used = used.sort("t", maintain_order=True)
    size = used["data"].bin.size()
    if (size > _WORD_BYTES).any():
        used = used.filter(size <= _WORD_BYTES)
        size = size.filter(size <= _WORD_BYTES)
    n_long = int(wanted.sum()) - used.height
    selected = _columns(used, n_short=(n_short := int((size < _WORD_BYTES).sum())))
    n_foreign = frames.height - int(is_j1939.sum()) + n_long
    n_unused = frames.height - n_foreign - used.height
    return selected, CanCounts(n_frames=frames.height, n_unused=n_unused, n_not_j1939=n_foreign, n_short=n_short)


def _columns(used: pl.DataFrame, *, n_short: int) -> Frames:
    can_id = used["can_id"].to_numpy()
    pgn = parameter_group(can_id)
    has_destination = ((can_id >> 16) & 0xFF) < _PDU2
    destination = np.where(has_destination, (can_id >> 8) & 0xFF, GLOBAL_ADDRESS).astype(np.uint32)
    source = (can_id & 0xFF).astype(np.uint32)
    if "channel" in used.columns:
        named = used["channel"].fill_null("")
        channel = named.cast(pl.Enum(named.unique().sort())).to_physical().cast(pl.UInt32).to_numpy()
    else:
        channel = np.zeros(used.height, dtype=np.uint32)
    data = pl.col("data")
    if n_short:
        ones = (data.bin.encode("hex") + "f" * 2 * _WORD_BYTES).str.head(2 * _WORD_BYTES).str.decode("hex")
        data = pl.when(data.bin.size() < _WORD_BYTES).then(ones).otherwise(data)
    word = used.select(data.bin.reinterpret(dtype=pl.UInt64, endianness="little")).to_series().to_numpy()
    t_us = used["t"].to_physical().to_numpy()
    return Frames(t_us, pgn, destination, source, channel, word, used["data"])
