"""CAN recordings other than candump logs: `.asc`, `.blf` (through python-can) and `.mf4`, in chunks of frames.

None of the three says in which zone its clock ran unless it is MDF with an offset; without one the clock is taken as
UTC, whatever the zone of the machine that reads it. Without a date times count from 1970, as in a candump log.
"""

import io
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import polars as pl

from airwatch.can.counts import LineCounts
from airwatch.can.mdf import read_mf4
from airwatch.contract.columns import TIME
from airwatch.contract.recordings import open_recording
from airwatch.errors import RecordingError

if TYPE_CHECKING:
    from can import Message

SUFFIXES = (".asc", ".blf", ".mf4")
"""What `read_can` reads; `.asc` and `.blf` also with `.gz` or `.zst` after it."""

_SECOND_US = 1e6
_LATEST_US = 253_402_214_400_000_000  # 9999-12-31T00:00:00Z
_MAX_ID = 0x1FFFFFFF
_CLASSIC_BYTES = 8
# English and German, as loggers write them; a file in an older code page shows a replaced letter.
_MONTHS = {"jan": 1, "feb": 2, "mar": 3, "mär": 3, "m\ufffdr": 3, "apr": 4, "may": 5, "mai": 5, "jun": 6, "jul": 7}
_MONTHS |= {"aug": 8, "sep": 9, "oct": 10, "okt": 10, "nov": 11, "dec": 12, "dez": 12}


@dataclass(frozen=True, slots=True)
class CanChunk:
    """Some frames of a recording: ``t, can_id, data, channel`` as `decode_frames` takes them, 29-bit data frames only.

    ``counts`` counts everything that the recording has in that stretch; ``n_bad`` has an id or time that can't be.
    """

    frames: pl.DataFrame
    counts: LineCounts


def read_can(path: Path, *, frames_a_chunk: int = 100_000) -> Iterator[CanChunk]:
    """Read a CAN recording by its suffix, a chunk at a time.

    Parameters
    ----------
    path : Path
        `.asc`, `.blf` (both also `.gz` or `.zst`) or `.mf4`.
    frames_a_chunk : int
        About how many frames are held at once.

    Yields
    ------
    CanChunk
        In the order of the recording; ``t`` Datetime("us") UTC, ``channel`` ``can0``, ``can1``, ...

    Raises
    ------
    RecordingError
        The file can't be read, is none of these, is broken or cut short; what stood before has been given by then.
    """
    packed = path.suffix if path.suffix in {".gz", ".zst"} else ""
    kind = Path(path.name.removesuffix(packed)).suffix.lower()
    if kind == ".mf4":
        if packed:
            raise RecordingError(f"{path}: an .mf4 is not read while it is packed; unpack it first")
        yield from (CanChunk(frames, counts) for frames, counts in read_mf4(path, frames_a_chunk=frames_a_chunk))
    elif kind in _READERS:
        yield from _read_messages(path, _READERS[kind], frames_a_chunk)
    else:
        raise RecordingError(f"{path}: not a CAN recording that can be read; it must end in {', '.join(SUFFIXES)}")


def candump_text(frames: pl.DataFrame) -> bytes:
    """Write frames as candump lines, so that a recording goes the way of a ``can`` message.

    Parameters
    ----------
    frames : DataFrame
        ``t, can_id, data, channel``, as in `CanChunk`.

    Returns
    -------
    bytes
        A line ``(seconds.micros) channel id#data`` for each row; `parse_candump` gives the rows back.
    """
    identifiers = frames["can_id"].to_numpy().astype(">u4").tobytes().hex().upper()
    t_us = pl.col("t").to_physical()
    line = pl.format(
        "({}.{}) {} {}#{}",
        t_us // 1_000_000,
        (t_us % 1_000_000).cast(pl.String).str.zfill(6),
        pl.col("channel"),
        pl.Series([identifiers[at : at + 8] for at in range(0, len(identifiers), 8)], dtype=pl.String),
        pl.col("data").bin.encode("hex").str.to_uppercase(),
    )
    lines = frames.select(line).to_series().to_list()
    return "".join(f"{text}\n" for text in lines).encode()


@dataclass(slots=True)
class _Gathered:
    t_us: list[int] = field(default_factory=list)
    can_id: list[int] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)
    channel: list[str] = field(default_factory=list)
    n_standard: int = 0
    n_fd: int = 0
    n_remote: int = 0
    n_error: int = 0
    n_bad: int = 0

    def add(self, message: "Message") -> None:
        t_us = round(message.timestamp * _SECOND_US)
        if message.is_error_frame:
            self.n_error += 1
        elif message.is_remote_frame:
            self.n_remote += 1
        elif message.is_fd:
            self.n_fd += 1
        elif not (
            0 <= t_us <= _LATEST_US and message.arbitration_id <= _MAX_ID and len(message.data) <= _CLASSIC_BYTES
        ):
            self.n_bad += 1
        elif not message.is_extended_id:
            self.n_standard += 1
        else:
            self.t_us.append(t_us)
            self.can_id.append(message.arbitration_id)
            self.data.append(bytes(message.data))
            self.channel.append("can0" if message.channel is None else f"can{message.channel}")

    @property
    def n_other(self) -> int:
        return self.n_standard + self.n_fd + self.n_remote + self.n_error + self.n_bad

    def chunk(self) -> CanChunk:
        frames = pl.DataFrame(
            {
                "t": pl.Series(self.t_us, dtype=pl.Int64).cast(TIME),
                "can_id": pl.Series(self.can_id, dtype=pl.UInt32),
                "data": pl.Series(self.data, dtype=pl.Binary),
                "channel": pl.Series(self.channel, dtype=pl.String),
            }
        )
        counts = LineCounts(
            n_lines=frames.height + self.n_other,
            n_frames=frames.height,
            n_standard=self.n_standard,
            n_fd=self.n_fd,
            n_remote=self.n_remote,
            n_error=self.n_error,
            n_bad=self.n_bad,
        )
        return CanChunk(frames, counts)


def _read_messages(
    path: Path, read: Callable[[Path, BinaryIO], Iterable["Message"]], frames_a_chunk: int
) -> Iterator[CanChunk]:
    gathered, n_before = _Gathered(), 0
    try:
        with open_recording(path) as stream:
            for message in read(path, stream):
                gathered.add(message)
                if len(gathered.t_us) + gathered.n_other >= frames_a_chunk:
                    yield gathered.chunk()
                    n_before += frames_a_chunk
                    gathered = _Gathered()
    except RecordingError:
        if gathered.t_us or gathered.n_other:
            yield gathered.chunk()
        raise
    except (ValueError, LookupError, OverflowError, struct.error, zlib.error) as err:
        n_read = n_before + len(gathered.t_us) + gathered.n_other
        if n_read > n_before:
            yield gathered.chunk()
        raise RecordingError(
            f"{path}: broken after {n_read} frames: {type(err).__name__} {err}; check that it is a whole recording"
        ) from err
    if gathered.t_us or gathered.n_other:
        yield gathered.chunk()


def _read_asc(path: Path, stream: BinaryIO) -> Iterator["Message"]:
    # Here and not above: python-can takes 60 ms to import, and 340 ms where asammdf is installed.
    from can import ASCReader  # noqa: PLC0415

    class Reader(ASCReader):
        """With the date as UTC and not in the zone of this machine."""

        @staticmethod
        def _datetime_to_timestamp(datetime_string: str) -> float:
            return _asc_date(datetime_string)

    reader = Reader(io.TextIOWrapper(stream, encoding="utf-8", errors="replace"), relative_timestamp=False)
    n_frames = 0
    for message in reader:
        if reader.timestamps_format == "relative":
            raise RecordingError(f"{path}: its times count from line to line; export it with absolute timestamps")
        n_frames += 1
        yield message
    if not n_frames and reader.date is None:
        raise RecordingError(f"{path}: not an ASC recording: it has neither a date nor a frame; check the path")


def _asc_date(text: str) -> float:
    """Read ``Sep 30 15:06:13.191 2017`` and ``Sep 30 03:06:13.191 pm 2017``, seconds since the epoch."""
    month, day, clock, *rest = text.split()
    is_afternoon = rest[0].lower() == "pm" if len(rest) > 1 else None
    whole, _, fraction = clock.partition(".")
    hour, minute, second = map(int, whole.split(":"))
    if is_afternoon is not None:
        hour = hour % 12 + 12 * is_afternoon
    # The fraction is milliseconds: three digits, but some loggers write 47 for 047.
    millisecond = int(fraction or 0) if len(fraction) <= 3 else int(fraction[:3])  # noqa: PLR2004
    at = datetime(int(rest[-1]), _MONTHS[month.lower()[:3]], int(day), hour, minute, second, tzinfo=UTC)
    return at.timestamp() + millisecond / 1000


def _read_blf(path: Path, stream: BinaryIO) -> Iterator["Message"]:
    from can import BLFReader  # noqa: PLC0415 - see _read_asc
    from can.io.blf import BLFParseError  # noqa: PLC0415

    try:
        reader = BLFReader(stream)
        yield from reader
    except BLFParseError as err:
        raise ValueError(str(err) or "an object does not begin where it must") from err
    if path.suffix.lower() == ".blf" and (size := path.stat().st_size) < reader.file_size:
        raise RecordingError(f"{path}: cut short: {size} bytes of {reader.file_size}; copy it again")


_READERS: dict[str, Callable[[Path, BinaryIO], Iterator["Message"]]] = {".asc": _read_asc, ".blf": _read_blf}
