"""Decoding lines of a recording; apart from what writes, so that a decoding process imports no database."""

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.lines import ChunkMessages
from airwatch.contract.recordings import LineChunk, LineSpan

About = LineSpan | tuple[str, int, int]
"""Where the lines are to be read; or, where their text is sent, the file's name, the first line and where they end."""


def decode_sent(what: About, parts: list[memoryview], root: str) -> DecodedBatch:
    """Decode lines that another process names or sends."""
    return decode_lines(what if isinstance(what, LineSpan) else LineChunk(*what, bytes(parts[0])), root)


def decode_lines(lines: LineChunk | LineSpan, root: str) -> DecodedBatch:
    """Decode lines.

    Raises
    ------
    RecordingError
        The file can't be read any more.
    """
    chunk = lines.read() if isinstance(lines, LineSpan) else lines
    return decode_batch(ChunkMessages(chunk, root), root=root)
