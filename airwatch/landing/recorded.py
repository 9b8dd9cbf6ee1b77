"""Decoding a chunk of a recording; apart from what writes, so that a decoding process imports no database."""

from pathlib import Path

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.recordings import LineChunk, messages_of

About = tuple[tuple[str, int, int], str | None, int]
"""Name, first line and end of a chunk; the file to read it from, null where its text is sent; its size."""


def decode_sent(what: About, parts: list[memoryview], root: str) -> DecodedBatch:
    """Decode a chunk that another process names or sends."""
    (name, first_line, end), path, size = what
    if path is None:
        text = bytes(parts[0])
    else:
        with Path(path).open("rb") as recording:
            recording.seek(end - size)
            text = recording.read(size)
    return decode_chunk(LineChunk(name, first_line, end, text), root)


def decode_chunk(chunk: LineChunk, root: str) -> DecodedBatch:
    """Decode a chunk; if anything in it is refused, its lines are looked at more closely first."""
    decoded = decode_batch(messages_of(chunk, is_trusting=True), root=root)
    if decoded.rejects.height:
        decoded = decode_batch(messages_of(chunk), root=root)
    return decoded
