"""Landing recordings: by several processes, in any chunks, and on from where it was interrupted."""

from pathlib import Path

import pytest
import zstandard

from airwatch.contract.batch import DecodedBatch
from airwatch.contract.recordings import messages_of, read_chunks, read_messages
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
