"""Recordings of delivered messages: NDJSON, plain, `.gz` or `.zst`."""

import base64
import gzip
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO, cast

import msgspec
import numpy as np
import zstandard
from msgspec import UNSET, Meta, Struct, UnsetType

from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import microseconds
from airwatch.errors import RecordingError

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer


class _Line(Struct):
    received: Annotated[datetime, Meta(tz=True)]
    topic: str
    content_type: str | None = None
    payload: msgspec.Raw | UnsetType = UNSET
    payload_b64: str | UnsetType = UNSET


_LINE = msgspec.json.Decoder(_Line)
_PACKED_CHUNK = 16 * 1024
_PIECE = 1 << 18
_NEWLINE = ord("\n")


class _ZstdFrames(io.RawIOBase):
    """The unpacked bytes of a file of Zstandard frames; `zstandard`'s own reader takes a file cut short as whole."""

    def __init__(self, packed: BinaryIO) -> None:
        self._packed = packed
        self._frame: zstandard.ZstdDecompressionObj | None = None
        self._rest = b""  # packed bytes not yet given to a frame
        self._ready = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "WriteableBuffer", /) -> int:
        while not self._ready:
            if not (chunk := self._rest or self._packed.read(_PACKED_CHUNK)):
                if self._frame is not None:
                    raise EOFError("the file ends inside a frame")
                return 0
            self._frame = self._frame or zstandard.ZstdDecompressor().decompressobj()
            self._ready = memoryview(self._frame.decompress(chunk))
            self._rest = b""
            if self._frame.eof:
                self._rest, self._frame = self._frame.unused_data, None
        into = memoryview(buffer).cast("B")
        n = min(len(into), len(self._ready))
        into[:n], self._ready = self._ready[:n], self._ready[n:]
        return n


@contextmanager
def open_recording(path: Path) -> Iterator[BinaryIO]:
    """Open a file for reading, unpacking `.gz` and `.zst` as it is read.

    Raises
    ------
    RecordingError
        There is no such file, it can't be read, or what it is packed with is broken or cut short.
    """
    try:
        with path.open("rb") as packed:
            if path.suffix == ".gz":
                with gzip.open(packed) as stream:
                    yield cast("BinaryIO", stream)
            elif path.suffix == ".zst":
                with io.BufferedReader(_ZstdFrames(packed)) as stream:
                    yield cast("BinaryIO", stream)
            else:
                yield packed
    except (OSError, EOFError, zstandard.ZstdError) as err:
        raise RecordingError(
            f"{path}: can't be read as a recording: {err}; check the path and that it is whole"
        ) from err


def read_messages(path: Path) -> Iterator[RawMessage]:
    """Give the messages of an NDJSON recording in file order.

    A line that is no message of a recording comes out all the same, with an empty topic and its own bytes, so that it
    is set aside with its place in the file and not lost.

    Raises
    ------
    RecordingError
        See `open_recording`; what stood before the broken place has been given by then.
    """
    with open_recording(path) as stream:
        for number, text in enumerate(stream, start=1):
            if line := text.strip():
                yield message_of(line, f"{path.name} line {number}")


@dataclass(frozen=True, slots=True)
class LineChunk:
    """Whole lines of a recording: which file, the number of the first, and where in the unpacked file they end."""

    name: str
    first_line: int
    end: int
    text: bytes

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.text)

    @property
    def n_lines(self) -> int:
        """Lines that end in it."""
        return self.text.count(b"\n")


def read_chunks(path: Path, *, size: int, start: int = 0, first_line: int = 1) -> Iterator[LineChunk]:
    """Give the lines of an NDJSON recording in chunks of about ``size`` bytes, from position ``start`` on.

    Raises
    ------
    RecordingError
        See `open_recording`; what stood before the broken place has been given by then.
    """
    with open_recording(path) as opened:
        stream = cast("io.BufferedReader", opened)  # each kind has read1, which gives what it has when it breaks off
        skipped = 0
        while skipped < start and (piece := stream.read(min(size, start - skipped))):
            skipped += len(piece)
        end, rest, failure, is_open = start, b"", None, True
        while is_open:
            held, has_line = bytearray(rest), b"\n" in rest
            try:
                while is_open and (len(held) < size or not has_line):
                    piece = stream.read1(min(_PIECE, size))
                    held += piece
                    has_line = has_line or b"\n" in piece
                    is_open = bool(piece)
            except (OSError, EOFError, zstandard.ZstdError) as err:  # what stands before the broken place comes first
                failure, is_open = err, False
            whole = len(held) if not is_open and failure is None else held.rfind(b"\n") + 1
            text, rest = bytes(held[:whole]), bytes(held[whole:])
            end += len(text)
            if text:
                yield LineChunk(path.name, first_line, end, text)
            first_line += text.count(b"\n")
        if failure is not None:
            raise failure


@dataclass(frozen=True, slots=True)
class LineSpan:
    """Whole lines of a recording that is not packed: where they are, and how many."""

    path: Path
    first_line: int
    begin: int
    end: int
    n_lines: int

    @property
    def size(self) -> int:
        """Bytes."""
        return self.end - self.begin

    def read(self) -> LineChunk:
        """Read them.

        Raises
        ------
        RecordingError
            The file can't be read any more.
        """
        with open_recording(self.path) as stream:
            stream.seek(self.begin)
            return LineChunk(self.path.name, self.first_line, self.end, stream.read(self.end - self.begin))


def find_spans(path: Path, *, size: int, start: int = 0, first_line: int = 1) -> Iterator[LineSpan]:
    """Find the same lines as `read_chunks` in a file that is not packed, without holding them.

    Raises
    ------
    RecordingError
        See `open_recording`.
    """
    piece = bytearray(min(_PIECE, size))  # stays in the processor's cache
    codes = np.frombuffer(piece, np.uint8)
    with open_recording(path) as stream:
        begin, is_open = start, True
        while is_open:
            stream.seek(begin)
            at, end, n_lines = begin, begin, 0
            while is_open and end - begin < size:
                n = cast("io.BufferedReader", stream).readinto(piece)
                n_lines += int(np.count_nonzero(codes[:n] == _NEWLINE))
                if (newline := piece.rfind(b"\n", 0, n)) >= 0:
                    end = at + newline + 1
                at += n
                is_open = n > 0
            end = end if is_open else at
            if end > begin:
                yield LineSpan(path, first_line, begin, end, n_lines)
            begin, first_line = end, first_line + n_lines


def messages_of(chunk: LineChunk) -> Iterator[RawMessage]:
    """Give the messages of a chunk, as `read_messages` does."""
    prefix = f"{chunk.name} line "
    for number, text in enumerate(chunk.text.split(b"\n"), start=chunk.first_line):
        if line := text.strip():
            yield message_of(line, f"{prefix}{number}")


def message_of(line: bytes, where: str) -> RawMessage:
    """Read one line; one that is no message of a recording comes out with an empty topic and its own bytes."""
    try:
        body = _LINE.decode(line)
        if isinstance(body.payload_b64, str):
            payload = base64.b64decode(body.payload_b64, validate=True)
        elif isinstance(body.payload, msgspec.Raw):
            payload = bytes(body.payload)
        else:
            return RawMessage("", line, 0, line=f"{where}: neither payload nor payload_b64")
        received_us = microseconds(body.received)
    except (msgspec.MsgspecError, ValueError, RecursionError) as err:
        return RawMessage("", line, 0, line=f"{where}: not a line of a recording: {err}")
    return RawMessage(body.topic, payload, received_us, body.content_type, where)


def recording_line(message: RawMessage) -> bytes:
    """Write one message as a line of a recording, without the line's end."""
    received = datetime.fromtimestamp(message.received_us / 1e6, tz=UTC)
    head = {"received": received, "topic": message.topic, "content_type": message.content_type or "application/json"}
    # JSON over several lines would end the line early, and space around it would not be read back
    if _is_json(message.payload) and b"\n" not in message.payload and message.payload == message.payload.strip():
        return msgspec.json.encode({**head, "payload": msgspec.Raw(message.payload)})
    return msgspec.json.encode({**head, "payload_b64": base64.b64encode(message.payload).decode()})


def _is_json(payload: bytes) -> bool:
    try:
        msgspec.json.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return False
    return True
