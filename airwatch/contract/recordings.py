"""Recordings of delivered messages: NDJSON, plain, `.gz` or `.zst`."""

import base64
import gzip
import io
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, BinaryIO, cast

import msgspec
import zstandard
from msgspec import UNSET, Meta, Struct, UnsetType

from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import microseconds
from airwatch.errors import RecordingError


class _Line(Struct):
    received: Annotated[datetime, Meta(tz=True)]
    topic: str
    content_type: str | None = None
    payload: msgspec.Raw | UnsetType = UNSET
    payload_b64: str | UnsetType = UNSET


_LINE = msgspec.json.Decoder(_Line)


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
                with zstandard.ZstdDecompressor().stream_reader(packed, read_across_frames=True) as stream:
                    yield cast("BinaryIO", io.BufferedReader(stream))
            else:
                yield packed
    except (OSError, EOFError, zstandard.ZstdError) as err:
        raise RecordingError(f"{path}: can't be read as a recording: {err}; check the path and that it is whole") from err


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
                yield _message(line, f"{path.name} line {number}")


def _message(line: bytes, where: str) -> RawMessage:
    try:
        body = _LINE.decode(line)
        if isinstance(body.payload_b64, str):
            payload = base64.b64decode(body.payload_b64, validate=True)
        elif isinstance(body.payload, msgspec.Raw):
            payload = bytes(body.payload)
        else:
            return RawMessage("", line, 0, line=f"{where}: neither payload nor payload_b64")
    except (msgspec.MsgspecError, ValueError, RecursionError) as err:
        return RawMessage("", line, 0, line=f"{where}: not a line of a recording: {err}")
    return RawMessage(body.topic, payload, microseconds(body.received), body.content_type, where)


def recording_line(message: RawMessage) -> bytes:
    """Write one message as a line of a recording, without the line's end."""
    received = datetime.fromtimestamp(message.received_us / 1e6, tz=UTC)
    head = {"received": received, "topic": message.topic, "content_type": message.content_type or "application/json"}
    try:
        msgspec.json.decode(message.payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return msgspec.json.encode({**head, "payload_b64": base64.b64encode(message.payload).decode()})
    return msgspec.json.encode({**head, "payload": msgspec.Raw(message.payload)})
