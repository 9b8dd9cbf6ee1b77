"""Cases: messages in the batches they came in, as a file that a person can read and a test can replay."""

import base64
import hashlib
import re
from collections.abc import Sequence
from pathlib import Path

import msgspec

from airwatch.contract.message import RawMessage

Batches = Sequence[Sequence[RawMessage]]


class SavedMessage(msgspec.Struct, frozen=True, omit_defaults=True):
    """One message; ``payload`` where it is printable ASCII, else ``payload_b64``."""

    topic: str
    received_us: int
    content_type: str | None = None
    payload: str | None = None
    payload_b64: str | None = None

    def raw(self) -> RawMessage:
        """Give the message as it was delivered."""
        body = self.payload.encode() if self.payload is not None else base64.b64decode(self.payload_b64 or "")
        return RawMessage(self.topic, body, self.received_us, self.content_type)


class Case(msgspec.Struct, frozen=True, omit_defaults=True):
    """Batches that are written into one new store, and what they are there for.

    ``expect`` is what is to become of the last message, ``landed``, ``set aside`` or ``both``, where that is known.
    """

    about: str
    batches: list[list[SavedMessage]]
    expect: str | None = None
    detail: str | None = None

    def raw(self) -> list[list[RawMessage]]:
        """Give the batches as they were delivered."""
        return [[message.raw() for message in batch] for batch in self.batches]


def changed(message: RawMessage, *, payload: bytes | None = None, received_us: int | None = None) -> RawMessage:
    """Give a message with another payload or time of arrival."""
    return RawMessage(
        message.topic,
        message.payload if payload is None else payload,
        message.received_us if received_us is None else received_us,
        message.content_type,
    )


def saved(message: RawMessage) -> SavedMessage:
    """Put a message into writing."""
    text = message.payload.decode("latin-1")
    if text.isascii() and (text.isprintable() or text == ""):
        return SavedMessage(message.topic, message.received_us, message.content_type, payload=text)
    coded = base64.b64encode(message.payload).decode()
    return SavedMessage(message.topic, message.received_us, message.content_type, payload_b64=coded)


def case_of(about: str, batches: Batches, *, detail: str | None = None, expect: str | None = None) -> Case:
    """Make a case of batches; empty ones are left out."""
    return Case(about, [[saved(m) for m in batch] for batch in batches if batch], expect=expect, detail=detail)


def write_case(folder: Path, case: Case) -> Path:
    """Write a case under a name made from what it is about; the same case gives the same file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = msgspec.json.format(msgspec.json.encode(case), indent=2) + b"\n"
    name = re.sub(r"[^a-z0-9]+", "-", case.about.lower()).strip("-")[:60]
    path = folder / f"{name}-{hashlib.sha256(text).hexdigest()[:8]}.json"
    path.write_bytes(text)
    return path


def read_case(path: Path) -> Case:
    """Read a case."""
    return msgspec.json.decode(path.read_bytes(), type=Case)
