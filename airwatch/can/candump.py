"""Candump text (`candump -L`, `candump -l`): lines to frames, and what is no frame with its place and reason."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from airwatch.can.counts import LineCounts
from airwatch.can.j1939 import BAD_LINE_SCHEMA, CanDecoded, decode_frames
from airwatch.can.plain_lines import read_plain_lines
from airwatch.contract.columns import TIME

# (1738581600.123456) can0 18FEAE0B#FFFFABABFFFFFFFF, then R or T where the direction was recorded. A fraction of more
# than six digits is cut to microseconds. Classic frames may end in _ and the raw length code.
_LINE = (
    r"^\s*\((?<s>[0-9]{1,10})\.(?<fraction>[0-9]{1,9})\)\s+(?<channel>\S+)\s+"
    r"(?<id>[0-9A-Fa-f]+)#(?<body>\S*?)(?:_[0-9A-Fa-f])?(?:\s+[RT])?\s*$"
)
_STANDARD_DIGITS, _EXTENDED_DIGITS = 3, 8
_MAX_STANDARD, _MAX_EXTENDED, _ERROR_FLAG = 0x7FF, 0x1FFFFFFF, 0x20000000
_MAX_DIGITS = 16
_LINES = {"line_no": pl.UInt32, "line": pl.String}


@dataclass(frozen=True, slots=True)
class Candump:
    """``frames``: ``t, can_id, data, channel``, in file order; ``bad_lines``: ``line_no`` from 1, ``line, reason``."""

    frames: pl.DataFrame
    bad_lines: pl.DataFrame
    counts: LineCounts


def parse_candump(text: bytes) -> Candump:
    """Read candump lines; any bytes at all give frames and bad lines, nothing else.

    Frames with 11-bit ids, CAN FD frames, remote requests and error frames are valid candump but not J1939: they are
    counted and left out. Blank lines and carriage returns are passed over.

    Parameters
    ----------
    text : bytes
        Lines ``(seconds.micros) channel id#data``.

    Returns
    -------
    Candump
        ``t`` Datetime("us") UTC, to the microsecond; ``can_id`` UInt32; ``data`` Binary, 0 to 8 bytes; ``channel``
        String.
    """
    plain = read_plain_lines(text)
    lines = [text[plain.starts[k] : plain.ends[k]].decode("utf-8", errors="replace") for k in plain.others]
    read = _read_as_text(pl.DataFrame({"line_no": plain.others + 1, "line": lines}, schema=_LINES))
    n_lines, n_plain = len(plain.ends), plain.frames.height
    if read.frames.is_empty():
        frames = plain.frames
    else:
        at = np.concatenate([plain.at, read.at])
        frames = pl.concat([plain.frames, read.frames])[np.argsort(at, kind="stable")]
    counts = replace(read.counts, n_lines=n_lines, n_frames=read.counts.n_frames + n_plain)
    return Candump(frames, read.bad_lines, counts)


@dataclass(frozen=True, slots=True)
class _Read:
    """As `Candump`; ``at`` is the line of each frame, counted from 0."""

    frames: pl.DataFrame
    at: NDArray[np.int64]
    bad_lines: pl.DataFrame
    counts: LineCounts


def _read_as_text(lines: pl.DataFrame) -> _Read:
    """Read lines of any form."""
    parts = (
        lines.with_columns(pl.col("line").str.strip_chars_end("\r"), part=pl.col("line").str.extract_groups(_LINE))
        .unnest("part")
        .with_columns(number=pl.col("id").str.to_integer(base=16, dtype=pl.UInt32, strict=False))
        .with_columns(verdict=_verdict())
    )
    found = dict(parts.group_by("verdict").len().iter_rows())
    named = {"n_blank": "blank", "n_frames": "frame", "n_standard": "standard"}
    named |= {"n_fd": "fd", "n_remote": "remote", "n_error": "error"}
    sorted_out = {name: found.get(verdict, 0) for name, verdict in named.items()}
    counts = LineCounts(n_lines=parts.height, n_bad=parts.height - sum(sorted_out.values()), **sorted_out)
    bad = parts.filter(~pl.col("verdict").is_in([*named.values()])).select("line_no", "line", reason="verdict")
    frames = parts.filter(pl.col("verdict") == "frame")
    return _Read(
        _frames(frames),
        frames["line_no"].to_numpy().astype(np.int64) - 1,
        bad.cast(BAD_LINE_SCHEMA),  # type: ignore[arg-type]
        counts,
    )


def decode_candump(text: bytes, *, keep_alive_s: float = 60.0) -> CanDecoded:
    """Decode candump text of one unit: `parse_candump`, then `decode_frames`.

    Parameters
    ----------
    text : bytes
        As for `parse_candump`.
    keep_alive_s : float
        As for `decode_frames`, seconds.

    Returns
    -------
    CanDecoded
        With ``bad_lines`` and the counts of lines.
    """
    parsed = parse_candump(text)
    decoded = decode_frames(parsed.frames, keep_alive_s=keep_alive_s)
    return replace(decoded, bad_lines=parsed.bad_lines, counts=replace(decoded.counts, lines=parsed.counts))


def _verdict() -> pl.Expr:
    """Say what a line is: one of the kinds that are counted, or the reason why it is bad."""
    body, number, digits = pl.col("body"), pl.col("number"), pl.col("id").str.len_bytes()
    n_data = body.str.len_bytes()
    is_standard = (digits == _STANDARD_DIGITS) & (number <= _MAX_STANDARD)
    is_extended = (digits == _EXTENDED_DIGITS) & (number <= _MAX_EXTENDED)
    is_error = (digits == _EXTENDED_DIGITS) & (number & _ERROR_FLAG != 0) & (number <= _ERROR_FLAG | _MAX_EXTENDED)
    return (
        pl.when(pl.col("line").str.strip_chars() == "")
        .then(pl.lit("blank"))
        .when(body.is_null())
        .then(pl.lit("not of the form (seconds.micros) channel id#data"))
        .when(~(is_standard | is_extended | is_error).fill_null(value=False))
        .then(pl.lit("the id is neither 3 digits of 11 bits nor 8 digits of 29 bits"))
        .when(body.str.contains(r"^#[0-9A-Fa-f]([0-9A-Fa-f]{2})*$"))
        .then(pl.lit("fd"))
        .when(body.str.contains(r"^R[0-8]?$"))
        .then(pl.lit("remote"))
        .when(~body.str.contains(r"^[0-9A-Fa-f]*$"))
        .then(pl.lit("the data is not hexadecimal"))
        .when(n_data % 2 == 1)
        .then(pl.lit("the data has half a byte"))
        .when(n_data > _MAX_DIGITS)
        .then(pl.lit("the data is longer than 8 bytes"))
        .when(is_error)
        .then(pl.lit("error"))
        .when(is_standard)
        .then(pl.lit("standard"))
        .otherwise(pl.lit("frame"))
    )


def _frames(parts: pl.DataFrame) -> pl.DataFrame:
    micros = pl.col("fraction").str.head(6).str.pad_end(6, "0").cast(pl.Int64)
    return parts.select(
        t=(pl.col("s").cast(pl.Int64) * 1_000_000 + micros).cast(TIME),
        can_id="number",
        data=pl.col("body").str.decode("hex"),
        channel="channel",
    )
