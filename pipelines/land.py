"""Landing recordings without a broker."""

import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import open_recording, read_messages
from airwatch.contract.topics import ROOT, Topic, is_name
from airwatch.errors import RecordingError
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units
from airwatch.store.telemetry import Landed, TelemetryWriter

_MESSAGES_A_BATCH = 2000
_CAN_LINES_A_MESSAGE = 200_000
_NO_FLEET = "unassigned"


def land_recordings(
    store: Store,
    paths: list[Path],
    *,
    unit: str | None = None,
    root: str = ROOT,
    on_batch: Callable[[Landed], None] | None = None,
) -> list[Landed]:
    """Land recordings, each batch in a transaction of its own.

    Parameters
    ----------
    store : Store
        Where to land.
    paths : list of Path
        NDJSON recordings (`.ndjson`, also `.gz`, `.zst`) or candump logs (`.log`, also packed).
    unit : str, optional
        Whose CAN recordings they are. An NDJSON recording names its units itself.
    root : str
        The topic root in the recording.
    on_batch : callable, optional
        Told of each commit.

    Raises
    ------
    RecordingError
        A file can't be read, is of no known kind, or is a CAN log and no unit is named.
    """
    writer = TelemetryWriter(store)
    landed = []
    for path in paths:
        for batch in _batches(_messages(store, path, unit, root), _MESSAGES_A_BATCH if not _is_can(path) else 1):
            landed.append(writer.write(decode_batch(batch, root=root)))
            if on_batch:
                on_batch(landed[-1])
    return landed


def _messages(store: Store, path: Path, unit: str | None, root: str) -> Iterator[RawMessage]:
    names = path.name.removesuffix(".gz").removesuffix(".zst")
    if names.endswith((".ndjson", ".jsonl")):
        return read_messages(path)
    if not names.endswith(".log"):
        raise RecordingError(
            f"{path}: not a recording that can be landed; it must end in .ndjson or .log, plain or .gz or .zst"
        )
    if unit is None:
        raise RecordingError(f"{path}: a CAN log does not say whose it is; add --unit")
    if not is_name(unit):
        raise RecordingError(f"--unit {unit!r}: a unit's name is 1 to 64 of A-Z a-z 0-9 . _ -")
    return _can_messages(path, Topic(_fleet_of(store, unit), unit, "can").path(root))


def _batches(messages: Iterator[RawMessage], size: int) -> Iterator[list[RawMessage]]:
    """Cut into batches; what stands before a broken place of a recording is a batch, too."""
    batch: list[RawMessage] = []
    try:
        for message in messages:
            batch.append(message)
            if len(batch) == size:
                yield batch
                batch = []
    except RecordingError:
        if batch:
            yield batch
        raise
    if batch:
        yield batch


def _is_can(path: Path) -> bool:
    return ".log" in path.suffixes


def _fleet_of(store: Store, unit: str) -> str:
    """Give the fleet that the registry has for the unit."""
    known = registered_units(store).filter(unit=unit)["fleet"].to_list()
    return known[0] if known else _NO_FLEET


def _can_messages(path: Path, topic: str) -> Iterator[RawMessage]:
    received_us = time.time_ns() // 1000
    with open_recording(path) as stream:
        first = 1
        while lines := list(islice(stream, _CAN_LINES_A_MESSAGE)):
            where = f"{path.name} from line {first}"
            yield RawMessage(topic, b"".join(lines), received_us, "text/plain", where)
            first += len(lines)
