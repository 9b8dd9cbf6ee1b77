"""Recordings decoded in another process: the answers are those given here, and lie in memory of both."""

import os
import signal
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from airwatch.contract.batch import SAMPLES_SCHEMA, DecodedBatch
from airwatch.contract.recordings import LineSpan, find_spans, recording_line
from airwatch.errors import RecordingError
from airwatch.landing.child import DECODE_RECORDED, start
from airwatch.landing.recorded import decode_lines, decode_sent
from airwatch.landing.worker import Worker, WorkerDiedError
from airwatch.store.database import Store
from pipelines import land
from tests.messages import at, drive, governor, message, write_recording

ROOT = "air/v1"


@pytest.fixture
def worker() -> Iterator[Worker]:
    with closing(Worker(decode_sent, ROOT, start(*DECODE_RECORDED, ROOT, is_sharing=True))) as worker:
        yield worker


def spans(path: Path, *sizes: int) -> list[LineSpan]:
    """Write recordings of so many blocks and find their lines, each recording at once."""
    found = []
    for k, n in enumerate(sizes):
        messages = [*drive("K-1", n, first=100 * k), message(governor(), "governor"), message(b"\xff")]
        found += find_spans(write_recording(path / f"{k}.ndjson", messages), size=1 << 30)
    return found


def assert_same(there: DecodedBatch, here: DecodedBatch) -> None:
    """Check that two processes say the same."""
    for name in DecodedBatch.__dataclass_fields__:
        assert_frame_equal(getattr(there, name), getattr(here, name))


def test_answers_are_the_same_in_memory_that_is_used_again_and_grows(worker: Worker, tmp_path: Path) -> None:
    before: tuple[pl.DataFrame, pl.DataFrame] | None = None
    for lines in spans(tmp_path, 3, 2, 1, 60, 4, 70, 1):
        worker.send(lines, [])
        there, here = worker.receive(), decode_lines(lines, ROOT)
        assert_same(there, here)
        if before is not None:  # the answer before holds
            assert_frame_equal(*before)
        before = there.samples, here.samples


def test_lines_without_samples_are_answered_and_so_is_text(worker: Worker, tmp_path: Path) -> None:
    event = {"t": at(0), "kind": "cut_in"}
    text = recording_line(message(governor(event), "governor"))
    worker.send(("g.ndjson", 1, len(text)), [text])
    nothing = worker.receive()
    assert (nothing.samples.height, nothing.governor_events.height) == (0, 1)
    assert nothing.samples.schema == SAMPLES_SCHEMA
    (lines,) = spans(tmp_path, 5)
    chunk = lines.read()
    worker.send((chunk.name, chunk.first_line, chunk.end), [chunk.text])
    assert_same(worker.receive(), decode_lines(lines, ROOT))


def test_who_decodes_gives_way_to_who_writes(worker: Worker, tmp_path: Path) -> None:
    (lines,) = spans(tmp_path, 1)
    worker.send(lines, [])
    worker.receive()
    there = os.getpriority(os.PRIO_PROCESS, worker._process.pid)
    assert there == min(19, os.getpriority(os.PRIO_PROCESS, 0) + 5)  # 19 is the most there is


def test_whoever_waits_for_a_process_that_dies_is_told(worker: Worker, tmp_path: Path) -> None:
    (lines,) = spans(tmp_path, 5)
    worker.send(lines, [])
    worker.receive()
    os.kill(worker._process.pid, signal.SIGKILL)
    worker._process.wait()
    with pytest.raises(WorkerDiedError):
        worker.receive()
    with pytest.raises(WorkerDiedError):
        worker.send(lines, [])


def test_a_landing_whose_process_dies_names_the_file_and_the_line(tmp_path: Path) -> None:
    recording = write_recording(tmp_path / "d.ndjson", drive("K-1", 50))
    dead = start(*DECODE_RECORDED, ROOT, is_sharing=True)
    dead.process.kill()
    dead.process.wait()
    with pytest.MonkeyPatch.context() as patch, Store.open(tmp_path / "s.duckdb") as store:
        patch.setattr(land, "_CHUNK_BYTES", 10_000)
        with pytest.raises(RecordingError, match=r"d\.ndjson: the process that decoded from line 1 died"):
            land.land_recordings(store, [recording], started=[dead])


def test_processes_stay_from_one_recording_to_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(land, "_CHUNK_BYTES", 10_000)
    started = []

    def start_noted(*what: str, is_sharing: bool) -> object:
        started.append(start(*what, is_sharing=is_sharing))
        return started[-1]

    monkeypatch.setattr(land, "start", start_noted)
    recordings = [write_recording(tmp_path / f"{k}.ndjson", drive(f"K-{k}", 30)) for k in range(3)]
    with Store.open(tmp_path / "s.duckdb") as store:
        landed = land.land_recordings(store, recordings)
    assert sum(one.n_samples for one in landed) == 3 * 30 * 60
    assert len(started) == 2
    assert all(one.process.poll() is not None for one in started)
