"""Landing recordings without a broker: decoded by several processes, written by this one, each batch a transaction."""

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from hashlib import blake2b
from pathlib import Path

import polars as pl

from airwatch.can.candump import parse_candump
from airwatch.can.counts import LineCounts
from airwatch.can.joined import CanState, join_frames
from airwatch.can.recordings import SUFFIXES, read_can
from airwatch.contract.batch import DecodedBatch, can_batch, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import LineChunk, LineSpan, find_spans, read_chunks
from airwatch.contract.topics import ROOT, Topic, is_name
from airwatch.errors import RecordingError
from airwatch.landing.child import DECODE_RECORDED, Started, start
from airwatch.landing.recorded import decode_lines, decode_sent
from airwatch.landing.worker import Worker, WorkerDiedError
from airwatch.store.database import Store
from airwatch.store.files import FileProgress, forget_progress, progress_of
from airwatch.store.registry import current as registered_units
from airwatch.store.telemetry import Landed, TelemetryWriter

_WORKERS = 2
_CHUNK_BYTES = 16_000_000  # about 340,000 samples: some row groups, which DuckDB writes straight to the file
_CAN_BYTES = 12_000_000
_NO_FLEET = "unassigned"
_MESSAGE_SUFFIXES, _LOG_SUFFIX = (".ndjson", ".jsonl"), ".log"

OnBatch = Callable[[Landed], None]
Lines = LineChunk | LineSpan


class _Workers:
    """The processes that decode, as many as are good for it; they stay from one recording to the next."""

    def __init__(self, root: str) -> None:
        self._root = root
        self._all: list[Worker] = []
        self._idle: list[Worker] = []

    def start(self) -> None:
        """Start them; their imports take a while, and the sooner it is done the better."""
        while len(self._all) < _WORKERS:
            self.adopt(start(*DECODE_RECORDED, self._root, is_sharing=True))

    def adopt(self, started: Started) -> None:
        """Take one that was started already."""
        self._all.append(Worker(decode_sent, self._root, started))
        self._idle.append(self._all[-1])

    def take(self) -> Worker | None:
        """Give one that is idle, None if all are at work."""
        self.start()
        return self._idle.pop(0) if self._idle else None

    def give_back(self, worker: Worker) -> None:
        """Take one back that has answered."""
        self._idle.append(worker)

    def close(self) -> None:
        """End them."""
        for worker in self._all:
            worker.close()


def land_recordings(
    store: Store,
    paths: list[Path],
    *,
    unit: str | None = None,
    root: str = ROOT,
    on_batch: OnBatch | None = None,
    started: Sequence[Started] = (),
) -> list[Landed]:
    """Land recordings, each batch in a transaction of its own.

    A landing that was interrupted goes on where its last transaction ended. A recording that is landed again adds
    nothing but its rejects.

    Parameters
    ----------
    store : Store
        Where to land.
    paths : list of Path
        NDJSON recordings (`.ndjson`) or CAN recordings (`.log`, `.asc`, `.blf`; all also `.gz` or `.zst`; `.mf4`).
    unit : str, optional
        Whose CAN recordings they are. An NDJSON recording names its units itself.
    root : str
        The topic root in the recording.
    on_batch : callable, optional
        Told of each commit.
    started : sequence of Started
        Decoding processes that were started already, with `DECODE_RECORDED`, this root and sharing; they are ended
        here.

    Raises
    ------
    RecordingError
        A file can't be read, is of no known kind, or is a CAN recording and no unit is named. What stood before the
        broken place is landed.
    """
    writer = TelemetryWriter(store)
    landed: list[Landed] = []

    def take(decoded: DecodedBatch, progress: FileProgress | None = None) -> None:
        landed.append(writer.write(decoded, progress))
        if on_batch:
            on_batch(landed[-1])

    with closing(_Workers(root)) as workers:
        for early in started:
            workers.adopt(early)
        for path in paths:
            suffix = Path(path.name.removesuffix(".gz").removesuffix(".zst")).suffix.lower()
            if suffix in _MESSAGE_SUFFIXES:
                _land_messages(store, path, root, take, workers)
            elif suffix == _LOG_SUFFIX or suffix in SUFFIXES:
                for batch in _can_batches(path, suffix, _topic(store, path, unit)):
                    take(batch)
            else:
                known = ", ".join((*_MESSAGE_SUFFIXES, _LOG_SUFFIX, *SUFFIXES))
                raise RecordingError(f"{path}: not a recording that can be landed; it must end in {known}")
    return landed


# messages ------------------------------------------------------------------------------------------------------------


def _land_messages(
    store: Store, path: Path, root: str, take: Callable[[DecodedBatch, FileProgress], None], workers: _Workers
) -> None:
    """Land an NDJSON recording; several chunks are decoded while one is written."""
    key = _key(path, root)
    done = progress_of(store, key) or FileProgress(key, path.name, 0, 1)
    # who decodes can read a file that is not packed, which spares holding and sending it
    pieces: Iterator[Lines] = (find_spans if path.suffix in _MESSAGE_SUFFIXES else read_chunks)(
        path, size=_CHUNK_BYTES, start=done.position, first_line=done.line
    )
    for lines, decoded in _decoded(path, pieces, root, workers):
        take(decoded, replace(done, position=lines.end, line=lines.first_line + lines.n_lines))
    forget_progress(store, key)


def _decoded(path: Path, pieces: Iterator[Lines], root: str, workers: _Workers) -> Iterator[tuple[Lines, DecodedBatch]]:
    """Decode lines in turn; what stands before a place where the file is broken comes before the error."""
    broken: RecordingError | None = None
    working: deque[tuple[Lines, Worker]] = deque()
    if path.exists() and path.stat().st_size > _CHUNK_BYTES:
        workers.start()
    while True:
        try:
            lines = next(pieces, None)
        except RecordingError as err:
            broken, lines = err, None
        if lines is None:
            break
        if not working and lines.size < _CHUNK_BYTES:  # a small file is done before a process has started
            yield lines, decode_lines(lines, root)
        elif (worker := workers.take()) is not None:
            with _living(path, lines):
                _begin(worker, lines)
            working.append((lines, worker))
        else:
            yield _oldest(path, working, workers, then=lines)
    while working:
        yield _oldest(path, working, workers)
    if broken is not None:
        raise broken


def _oldest(
    path: Path, working: deque[tuple[Lines, Worker]], workers: _Workers, then: Lines | None = None
) -> tuple[Lines, DecodedBatch]:
    """Wait for what was begun first; its worker gets the next lines at once, and never has two of them."""
    lines, worker = working.popleft()
    with _living(path, lines):
        decoded = worker.receive()
        if then is not None:
            _begin(worker, then)
    if then is None:
        workers.give_back(worker)
    else:
        working.append((then, worker))
    return lines, decoded


@contextmanager
def _living(path: Path, lines: Lines) -> Iterator[None]:
    try:
        yield
    except WorkerDiedError as err:
        raise RecordingError(
            f"{path}: the process that decoded from line {lines.first_line} died; is the machine out of memory?"
            " land the file again to go on"
        ) from err


def _begin(worker: Worker, lines: Lines) -> None:
    if isinstance(lines, LineSpan):
        worker.send(lines, [])
    else:
        worker.send((lines.name, lines.first_line, lines.end), [lines.text])


def _key(path: Path, root: str) -> str:
    """Tell a recording from others by its place and beginning; one that is still being written keeps its key."""
    try:
        with path.open("rb") as packed:
            head = packed.read(1 << 16)
    except OSError as err:
        raise RecordingError(f"{path}: can't be read as a recording: {err}; check the path") from err
    return blake2b(b"\0".join([str(path.resolve()).encode(), root.encode(), head]), digest_size=16).hexdigest()


# CAN -----------------------------------------------------------------------------------------------------------------


def _topic(store: Store, path: Path, unit: str | None) -> Topic:
    """Give the topic of a CAN recording; the fleet is the one that the registry has for the unit."""
    if unit is None:
        raise RecordingError(f"{path}: a CAN recording does not say whose it is; add --unit")
    if not is_name(unit):
        raise RecordingError(f"--unit {unit!r}: a unit's name is 1 to 64 of A-Z a-z 0-9 . _ -")
    known = registered_units(store).filter(unit=unit)["fleet"].to_list()
    return Topic(known[0] if known else _NO_FLEET, unit, "can")


def _can_batches(path: Path, suffix: str, topic: Topic) -> Iterator[DecodedBatch]:
    """Decode a CAN recording as the one log that it is, a stretch at a time."""
    received_us = time.time_ns() // 1000
    state: CanState | None = None
    nothing: pl.DataFrame | None = None
    broken: RecordingError | None = None
    stretches = _stretches(path, suffix, topic, received_us)
    while True:
        try:
            message, frames, counts, refused = next(stretches)
        except StopIteration:
            break
        except RecordingError as err:  # what stands before the broken place is landed, to its last sample
            broken = err
            break
        if refused is not None:
            yield refused
        decoded, state = join_frames(frames, state)
        nothing = frames.clear()
        yield can_batch(topic, replace(decoded, counts=replace(decoded.counts, lines=counts)), message)
    if nothing is not None and state is not None:
        decoded, _ = join_frames(nothing, state, is_end=True)
        yield can_batch(topic, decoded, RawMessage(topic.path(), b"", received_us, None, f"{path.name}, its end"))
    if broken is not None:
        raise broken


def _stretches(
    path: Path, suffix: str, topic: Topic, received_us: int
) -> Iterator[tuple[RawMessage, pl.DataFrame, LineCounts, DecodedBatch | None]]:
    """Give stretches of frames, each with where it stands, what was counted, and its lines that are no frames."""
    if suffix != _LOG_SUFFIX:
        for k, chunk in enumerate(read_can(path), start=1):
            where = f"{path.name} part {k}"
            yield RawMessage(topic.path(), b"", received_us, None, where), chunk.frames, chunk.counts, None
        return
    for lines in read_chunks(path, size=_CAN_BYTES):
        where = f"{path.name} from line {lines.first_line}"
        message = RawMessage(topic.path(), lines.text, received_us, "text/plain", where)
        parsed = parse_candump(lines.text)
        bad = parsed.bad_lines
        refused = decode_batch(_bad_lines(bad, lines, received_us)) if bad.height else None
        yield message, parsed.frames, parsed.counts, refused


def _bad_lines(bad: pl.DataFrame, lines: LineChunk, received_us: int) -> Iterator[RawMessage]:
    """Give each line that is no frame as a message that can't be used, with its own bytes and place."""
    for row in bad.iter_rows(named=True):
        where = f"{lines.name} line {lines.first_line + row['line_no'] - 1}"
        yield RawMessage("", row["line"].encode(), received_us, line=f"{where}: {row['reason']}")
