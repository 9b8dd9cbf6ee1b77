"""Landing recordings: by several processes, in any chunks, and on from where it was interrupted."""

from pathlib import Path

import pytest
import zstandard

from airwatch.contract.batch import DecodedBatch
from airwatch.contract.recordings import find_spans, messages_of, read_chunks, read_messages
from airwatch.errors import RecordingError
from airwatch.store.database import Store
from airwatch.store.export import export_frame
from airwatch.store.telemetry import TelemetryWriter
from pipelines import land
from tests.messages import content_hash, drive, samples_of, write_recording

UNITS = ("K-1", "K-2", "K-3", "K-4")


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    blocks = [drive(unit, 60) for unit in UNITS]
    return write_recording(tmp_path / "d.ndjson", [block for turn in zip(*blocks, strict=True) for block in turn])


@pytest.mark.parametrize("size", [1, 700, 5000, 10_000_000])
def test_chunks_hold_every_line_once_with_its_number(recording: Path, size: int) -> None:
    chunks = list(read_chunks(recording, size=size))
    assert b"".join(chunk.text for chunk in chunks) == recording.read_bytes()
    assert chunks[-1].end == recording.stat().st_size
    assert [m for chunk in chunks for m in messages_of(chunk)] == list(read_messages(recording))
    later = chunks[len(chunks) // 2]
    start, line = later.end, later.first_line + later.text.count(b"\n")
    rest = [m for chunk in read_chunks(recording, size=size, start=start, first_line=line) for m in messages_of(chunk)]
    assert rest == list(read_messages(recording))[line - 1 :]


@pytest.mark.parametrize("size", [1, 700, 10_000, 300_000, 10_000_000])
@pytest.mark.parametrize("ending", [b"", b"\n", b"\n\n", b'\n{"received"'])
def test_spans_hold_every_line_once_with_its_number(recording: Path, size: int, ending: bytes) -> None:
    recording.write_bytes(recording.read_bytes().rstrip(b"\n") + ending)
    spans = list(find_spans(recording, size=size))
    assert b"".join(span.read().text for span in spans) == recording.read_bytes()
    assert all(span.read().text.endswith(b"\n") and span.size >= size for span in spans[:-1])
    assert all(span.n_lines == span.read().n_lines for span in spans)
    assert [m for span in spans for m in messages_of(span.read())] == list(read_messages(recording))
    later = spans[len(spans) // 2]
    rest = find_spans(recording, size=size, start=later.begin, first_line=later.first_line)
    assert list(rest) == spans[len(spans) // 2 :]


def test_nothing_is_found_in_an_empty_file_and_beyond_the_end(tmp_path: Path) -> None:
    empty = tmp_path / "e.ndjson"
    empty.write_bytes(b"")
    assert list(find_spans(empty, size=100)) == []
    assert list(find_spans(empty, size=100, start=7)) == []
    with pytest.raises(RecordingError, match=r"none\.ndjson: can't be read as a recording"):
        list(find_spans(tmp_path / "none.ndjson", size=100))


def test_what_stands_before_a_cut_comes_out_in_whole_lines(recording: Path, tmp_path: Path) -> None:
    packed = tmp_path / "c.ndjson.zst"
    packed.write_bytes(zstandard.ZstdCompressor().compress(recording.read_bytes())[:-200])
    came = []
    with pytest.raises(RecordingError, match=r"c\.ndjson\.zst: can't be read as a recording"):
        came.extend(chunk.text for chunk in read_chunks(packed, size=4000))
    assert came == [] or all(text.endswith(b"\n") for text in came)
    assert recording.read_bytes().startswith(b"".join(came))


def landed(store: Store) -> str:
    return content_hash(export_frame(store, "samples"))


def test_several_processes_land_the_recording(recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(land, "_CHUNK_BYTES", 20_000)
    with Store.open(tmp_path / "s.duckdb") as store:
        done = land.land_recordings(store, [recording])
        assert len(done) > 5
        assert landed(store) == content_hash(samples_of(read_messages(recording)))


def test_an_interrupted_landing_goes_on_where_it_was(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(land, "_CHUNK_BYTES", 20_000)
    write = TelemetryWriter.write
    calls = []

    def failing(self: TelemetryWriter, decoded: DecodedBatch, *progress: object) -> object:
        calls.append(decoded.ledger.height)
        if len(calls) == 6:
            raise KeyboardInterrupt
        return write(self, decoded, *progress)

    monkeypatch.setattr(TelemetryWriter, "write", failing)
    with Store.open(tmp_path / "s.duckdb") as store:
        with pytest.raises(KeyboardInterrupt):
            land.land_recordings(store, [recording])
        rest = land.land_recordings(store, [recording])
        assert sum(one.n_repeated for one in rest) == 0  # nothing was read a second time
        assert landed(store) == content_hash(samples_of(read_messages(recording)))
        again = land.land_recordings(store, [recording])
        assert sum(one.n_samples for one in again) == 0
        assert sum(one.n_messages for one in again) == 60 * len(UNITS)
