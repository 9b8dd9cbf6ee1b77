"""29-bit ids to parameter groups and senders, and data to one little-endian word; whole frames at a time."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

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
_N_GROUPS = 1 << 18
_WORD_BYTES = 8

BINARY_VIEW = np.dtype([("size", "<u4"), ("word", "<u8"), ("rest", "<u4")])
"""A binary value as Arrow views it (columnar format, 'variable-size binary view'); 12 bytes at most lie in it."""


@dataclass(frozen=True, slots=True)
class Frames:
    """J1939 frames as columns of equal length, in order of time.

    ``t_us`` is in microseconds since 1970 UTC; ``pgn`` has 18 bits; ``destination`` is 255 where the group has none;
    ``channel`` numbers the buses from 0 in order of their names, ``channels``; ``word`` is the data as a little-endian
    number, filled up with ones, which mean 'not available'; ``size`` is how many bytes of it came.
    """

    t_us: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    channel: NDArray[np.uint32]
    word: NDArray[np.uint64]
    size: NDArray[np.uint8]
    channels: tuple[str, ...]

    @property
    def pgn(self) -> NDArray[np.uint32]:
        """The parameter group of each, 18 bits."""
        return parameter_group(self.can_id)

    @property
    def source(self) -> NDArray[np.uint32]:
        """The address of each one's sender."""
        return self.can_id & np.uint32(0xFF)

    @property
    def destination(self) -> NDArray[np.uint32]:
        """The address that each is for, 255 where the group has none."""
        has_destination = ((self.can_id >> 16) & 0xFF) < _PDU2
        return np.where(has_destination, (self.can_id >> 8) & 0xFF, np.uint32(GLOBAL_ADDRESS))

    @property
    def data(self) -> list[bytes]:
        """The data of each as it came."""
        whole, sizes = self.word.astype("<u8").tobytes(), self.size.tolist()
        return [whole[at : at + size] for at, size in zip(range(0, len(whole), _WORD_BYTES), sizes, strict=True)]

    def __len__(self) -> int:
        """Count them."""
        return self.t_us.size

    def where(self, keep: NDArray[np.bool_] | NDArray[np.int64] | slice) -> "Frames":
        """Keep some of the frames."""
        return Frames(
            self.t_us[keep], self.can_id[keep], self.channel[keep], self.word[keep], self.size[keep], self.channels
        )

    def renumbered(self, channels: tuple[str, ...]) -> "Frames":
        """Take other numbers for the channels: their places in a list that has them all."""
        if channels == self.channels:
            return self
        number = np.array([channels.index(name) for name in self.channels], dtype=np.uint32)
        return replace(self, channel=number[self.channel], channels=channels)


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


def select_frames(frames: pl.DataFrame, pgns: Collection[int]) -> tuple[Frames, CanCounts]:
    """Take the frames of some parameter groups, in order of time.

    Parameters
    ----------
    frames : DataFrame
        As ``FRAME_SCHEMA``, any row order; ``channel`` may be missing.
    pgns : collection of int
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
    has_nulls = any(frames[name].null_count() for name in FRAME_SCHEMA)
    whole = frames.drop_nulls(list(FRAME_SCHEMA)) if has_nulls else frames
    can_id = whole["can_id"].to_numpy()
    is_j1939 = (can_id <= _MAX_ID) & (can_id & _BOTH_PAGES != _BOTH_PAGES)
    wanted = is_j1939 & are_of(can_id, pgns)
    taken = _in_order(_columns(whole if wanted.all() else whole.filter(pl.Series(wanted))))
    is_long = taken.size > _WORD_BYTES
    used = taken.where(~is_long) if is_long.any() else taken
    n_foreign = frames.height - int(is_j1939.sum()) + int(is_long.sum())
    n_short = int((used.size < _WORD_BYTES).sum())
    n_unused = frames.height - n_foreign - len(used)
    return used, CanCounts(n_frames=frames.height, n_unused=n_unused, n_not_j1939=n_foreign, n_short=n_short)


def are_of(can_id: NDArray[np.uint32], pgns: Collection[int]) -> NDArray[np.bool_]:
    """Tell which ids are of some parameter groups."""
    is_wanted = np.zeros(_N_GROUPS, np.bool_)
    is_wanted[list(pgns)] = True
    return is_wanted[parameter_group(can_id)]


def put_together(one: Frames, other: Frames) -> Frames:
    """Give the frames of both in order of time; those of ``one`` come before those of ``other`` at the same time."""
    channels = tuple(sorted({*one.channels, *other.channels}))
    parts = [one.renumbered(channels), other.renumbered(channels)]
    return _in_order(
        Frames(
            t_us=np.concatenate([part.t_us for part in parts]),
            can_id=np.concatenate([part.can_id for part in parts]),
            channel=np.concatenate([part.channel for part in parts]),
            word=np.concatenate([part.word for part in parts]),
            size=np.concatenate([part.size for part in parts]),
            channels=channels,
        )
    )


def _in_order(frames: Frames) -> Frames:
    is_sorted = bool((frames.t_us[1:] >= frames.t_us[:-1]).all())
    return frames if is_sorted else frames.where(np.argsort(frames.t_us, kind="stable"))


def _columns(used: pl.DataFrame) -> Frames:
    channels, channel = ("",), np.zeros(used.height, dtype=np.uint32)
    if "channel" in used.columns and used.height:
        named = used["channel"].fill_null("")
        channels = (named[0],)
        if not (named == channels[0]).all():
            channels = tuple(named.unique().sort())
            channel = named.cast(pl.Enum(channels)).to_physical().cast(pl.UInt32).to_numpy()
    views = _views(used["data"])
    size, word = views["size"], views["word"].copy()
    is_short = size < _WORD_BYTES
    if is_short.any():
        word[is_short] |= ~np.uint64(0) << (size[is_short] * 8).astype(np.uint64)
    t_us = used["t"].to_physical().to_numpy()
    return Frames(t_us, used["can_id"].to_numpy(), channel, word, size.clip(0, 255).astype(np.uint8), channels)


def _views(data: pl.Series) -> NDArray[Any]:
    """Give the size of each value, and of a value that is no longer than 12 bytes its first 8."""
    array = data.to_arrow(compat_level=pl.CompatLevel.newest())
    return np.frombuffer(array.buffers()[1], BINARY_VIEW)[array.offset : array.offset + len(data)]
