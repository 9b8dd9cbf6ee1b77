"""Processes and brokers that die in the middle: in the end each recorded sample is there, once."""

import errno
import os
import re
import signal
import subprocess
import threading
from itertools import chain
from pathlib import Path

import polars as pl
import pytest

from airwatch.contract.batch import DecodedBatch
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import recording_line
from airwatch.landing.subscriber import GroupCommit, Subscriber
from airwatch.store.database import Store
from airwatch.store.results import landing_counts
from airwatch.store.telemetry import Landed, TelemetryWriter
from tests.broker import Mosquitto, wait_until
from tests.conftest import Airwatch
from tests.messages import content_hash, drive, samples_of, write_recording

pytestmark = pytest.mark.broker

N_UNITS, N_BLOCKS = 8, 120
N_SAMPLES = N_UNITS * N_BLOCKS * 60


@pytest.fixture(scope="module")
def messages() -> list[RawMessage]:
    """Give a recording of several units, in the order in which a broker would have got it."""
    units = [drive(f"K-{k}", N_BLOCKS, fleet="north" if k % 2 else "south") for k in range(N_UNITS)]
    return list(chain.from_iterable(zip(*units, strict=True)))


@pytest.fixture(scope="module")
def recorded(messages: list[RawMessage]) -> str:
    """Give the content hash of the recording's own samples."""
    samples = samples_of(messages)
    assert samples.height == N_SAMPLES
    return content_hash(samples)


def exported(airwatch: Airwatch, db: Path) -> str:
    """Give the content hash of what a store exports."""
    target = db.with_suffix(".parquet")
    done = airwatch.run("export", "samples", "--db", db, "--format", "parquet", "-o", target)
    assert (done.returncode, done.stderr) == (0, b"")
    return content_hash(pl.read_parquet(target))


class Pipe:
    """A recording that grows while it is replayed: the test says how far the replay may come."""

    def __init__(self, path: Path, replay: "subprocess.Popen[str]", messages: list[RawMessage]) -> None:
        self.replay = replay
        self._lines = [recording_line(m) + b"\n" for m in messages]
        self._writer = -1
        self._at = 0
        wait_until(lambda: self._opens(path), "the replay does not open its recording")
        os.set_blocking(self._writer, True)

    def _opens(self, path: Path) -> bool:
        try:
            self._writer = os.open(path, os.O_WRONLY | os.O_NONBLOCK)
        except OSError as err:
            if err.errno != errno.ENXIO:  # that is: nobody has the other end open yet
                raise
            return False
        return True

    def write(self, n: int | None = None) -> None:
        """Let the replay have the next ``n`` messages, or all that are left."""
        end = len(self._lines) if n is None else self._at + n
        rest = memoryview(b"".join(self._lines[self._at : end]))
        while rest:
            rest = rest[os.write(self._writer, rest) :]
        self._at = end

    def end(self) -> None:
        """End the recording and check that the replay ends well."""
        os.close(self._writer)
        out, error = self.replay.communicate(timeout=60)
        assert (self.replay.returncode, error) == (0, "")
        assert out.startswith(f"published {len(self._lines)} messages to mqtt://127.0.0.1:")


def piped(airwatch: Airwatch, broker: Mosquitto, messages: list[RawMessage], folder: Path, *more: str) -> Pipe:
    """Replay from a pipe with `airwatch replay --speed 0`."""
    path = folder / "pipe.ndjson"
    os.mkfifo(path)
    return Pipe(path, airwatch.start("replay", path, "--broker", broker.url, "--speed", "0", *more), messages)


def subscribe(airwatch: Airwatch, broker: Mosquitto, db: Path, *more: str) -> "subprocess.Popen[str]":
    """Start `airwatch subscribe` and wait until it has subscribed."""
    process = airwatch.start("subscribe", "--broker", broker.url, "--db", db, *more)
    assert process.stderr is not None
    assert process.stderr.readline() == f"subscribed to air/v1/# at {broker.url}, landing in {db}\n"
    return process


def size(db: Path) -> int:
    """Give how much has been written to a store that another process has open."""
    wal = db.with_name(db.name + ".wal")
    return (db.stat().st_size if db.exists() else 0) + (wal.stat().st_size if wal.exists() else 0)


def land_the_rest(broker: Mosquitto, db: Path, version: str = "5") -> None:
    """Subscribe in this process until every sample is there."""
    with Store.open(db) as store:
        subscriber = Subscriber(broker.address, TelemetryWriter(store).write, version=version)
        subscriber.start()
        try:
            wait_until(lambda: landing_counts(store)["samples"] >= N_SAMPLES, "samples are missing")
        finally:
            subscriber.stop()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_subscriber_killed_again_and_again_lands_each_recorded_sample_once(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path, messages: list[RawMessage], recorded: str, version: str
) -> None:
    db, mqtt = tmp_path / "a.duckdb", ("--mqtt", version)
    subscriber = subscribe(airwatch, mosquitto, db, *mqtt)
    pipe = piped(airwatch, mosquitto, messages, tmp_path, *mqtt)
    for _ in range(2):
        before = size(db)
        pipe.write(200)
        wait_until(lambda: size(db) > before, "nothing is written")  # noqa: B023 the loop waits for it
        pipe.write(50)
        subscriber.kill()
        subscriber.communicate(timeout=60)  # returns when no process that it started is left, either
        assert subscriber.returncode == -signal.SIGKILL
        subscriber = subscribe(airwatch, mosquitto, db, *mqtt)
    pipe.write()
    pipe.end()
    subscriber.kill()
    subscriber.communicate(timeout=60)
    land_the_rest(mosquitto, db, version)
    assert exported(airwatch, db) == recorded


def test_a_broker_killed_in_the_middle_loses_and_doubles_nothing(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path, messages: list[RawMessage], recorded: str
) -> None:
    db = tmp_path / "a.duckdb"
    half = len(messages) // 2
    with Store.open(db) as store:
        pipe = piped(airwatch, mosquitto, messages, tmp_path)
        gate = threading.Event()
        writer = TelemetryWriter(store)

        def write(decoded: DecodedBatch) -> Landed:
            assert gate.wait(60)
            return writer.write(decoded)

        subscriber = Subscriber(mosquitto.address, write)
        subscriber.start()
        try:
            pipe.write(half)
            wait_until(lambda: subscriber.health.received == half, "the messages do not arrive")
            # What a broker has acknowledged and not yet saved dies with it, whoever is subscribed. So it saves what it
            # has, and stands still while the second half is on its way to it: nothing of that is acknowledged.
            mosquitto.save()
            mosquitto.pause()
            pipe.write()
            wait_until(lambda: mosquitto.n_unread() > 0, "the second half is not on its way")
            mosquitto.kill()
            gate.set()
            mosquitto.start()
            pipe.end()
            wait_until(lambda: landing_counts(store)["samples"] >= N_SAMPLES, "samples are missing")
        finally:
            gate.set()
            subscriber.stop()
    assert exported(airwatch, db) == recorded


def test_a_broker_restarted_in_the_middle_loses_and_doubles_nothing(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path, messages: list[RawMessage], recorded: str
) -> None:
    db = tmp_path / "a.duckdb"
    with Store.open(db) as store:
        pipe = piped(airwatch, mosquitto, messages, tmp_path)
        subscriber = Subscriber(mosquitto.address, TelemetryWriter(store).write, group=GroupCommit(messages=50))
        subscriber.start()
        try:
            for _ in range(2):
                before = subscriber.health.committed
                pipe.write(300)
                wait_until(lambda: subscriber.health.committed > before, "nothing is committed")  # noqa: B023 as above
                mosquitto.stop()
                mosquitto.start()
            pipe.write()
            pipe.end()
            wait_until(lambda: landing_counts(store)["samples"] >= N_SAMPLES, "samples are missing")
        finally:
            subscriber.stop()
    assert exported(airwatch, db) == recorded


def test_a_subscriber_told_to_end_commits_what_it_holds_and_the_rest_stays_with_the_broker(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path, messages: list[RawMessage], recorded: str
) -> None:
    db = tmp_path / "a.duckdb"
    subscriber = subscribe(airwatch, mosquitto, db)
    pipe = piped(airwatch, mosquitto, messages, tmp_path)
    before = size(db)
    pipe.write(400)
    wait_until(lambda: size(db) > before, "nothing is written")
    subscriber.send_signal(signal.SIGTERM)
    out, error = subscriber.communicate(timeout=60)
    assert (subscriber.returncode, error) == (0, "")
    said = re.fullmatch(r"landed (\d+) samples of (\d+) messages; 0 set aside\n", out)
    assert said, out
    with Store.open(db) as store:
        counts = landing_counts(store)
    assert (counts["samples"], counts["messages"]) == (int(said[1]), int(said[2]))
    assert counts["samples"] == counts["messages"] * 60 > 0
    pipe.write()
    pipe.end()
    land_the_rest(mosquitto, db)
    with Store.open(db) as store:
        assert landing_counts(store)["messages"] == len(messages)  # what was committed had been acknowledged
    assert exported(airwatch, db) == recorded


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_recording_replayed_over_the_broker_is_what_the_store_exports(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path, messages: list[RawMessage], recorded: str, version: str
) -> None:
    db = tmp_path / "a.duckdb"
    Store.open(db).close()
    with Store.open(db) as store:  # so that the session is there, and the broker keeps what is published meanwhile
        first = Subscriber(mosquitto.address, TelemetryWriter(store).write, version=version)
        first.start()
        first.stop()
    recordings = [
        write_recording(tmp_path / "1.ndjson", messages[:500]),
        write_recording(tmp_path / "2.ndjson", messages[500:]),
    ]
    done = airwatch.run("replay", *recordings, "--broker", mosquitto.url, "--speed", "0", "--mqtt", version)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode() == f"published {len(messages)} messages to {mosquitto.url}\n"
    land_the_rest(mosquitto, db, version)
    assert exported(airwatch, db) == recorded
