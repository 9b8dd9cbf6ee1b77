"""A disk that runs full while messages land: nothing is acknowledged that is not committed, and landing goes on."""

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import pytest

from airwatch.contract.message import RawMessage
from airwatch.landing.subscriber import GroupCommit, Subscriber
from airwatch.store import database
from airwatch.store.database import Store
from airwatch.store.export import export_frame
from airwatch.store.results import landing_counts
from airwatch.store.telemetry import TelemetryWriter
from tests.broker import Mosquitto, Tap, publish, wait_until
from tests.conftest import Airwatch, missing
from tests.messages import content_hash, drive, samples_of

pytestmark = pytest.mark.broker

DISK_BYTES, ROOM_BYTES = 24 << 20, 2 << 20
N_UNITS, N_BLOCKS = 4, 300  # their log is three times the room
SMALL_GROUPS = GroupCommit(messages=20)


@dataclass(frozen=True)
class Disk:
    """A small file system, and a file on it that takes the room."""

    folder: Path

    @property
    def store(self) -> Path:
        """Where the store lies."""
        return self.folder / "a.duckdb"

    def leave(self, room_bytes: int) -> None:
        """Take all but some room."""
        with (self.folder / "ballast").open("wb") as ballast:
            os.posix_fallocate(ballast.fileno(), 0, shutil.disk_usage(self.folder).free - room_bytes)

    def free(self) -> None:
        """Give the room back."""
        (self.folder / "ballast").unlink()


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """Mount a small file system while the test lasts."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "airwatch-test", str(folder)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    if mounted.returncode:
        missing(f"no small disk can be mounted, which needs root: {mounted.stderr.strip()}")
    try:
        yield Disk(folder)
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture(scope="module")
def messages() -> list[RawMessage]:
    """Give a recording of several units, in the order in which a broker would have got it."""
    units = [drive(f"K-{k}", N_BLOCKS) for k in range(N_UNITS)]
    return list(chain.from_iterable(zip(*units, strict=True)))


def send(broker: Mosquitto, messages: list[RawMessage]) -> None:
    """Publish a recording."""
    publish(broker, [(m.topic, m.payload, None) for m in messages])


@contextmanager
def landing(disk: Disk, tap: Tap) -> Iterator[tuple[Subscriber, Store]]:
    """Land on the disk, in groups that are small beside it."""
    with Store.open(disk.store) as store:
        subscriber = Subscriber(tap.address, TelemetryWriter(store).write, group=SMALL_GROUPS)
        subscriber.start()
        try:
            yield subscriber, store
        finally:
            subscriber.stop()


@pytest.mark.parametrize(
    "long_log_bytes",
    [pytest.param(ROOM_BYTES * 2, id="the log runs full"), pytest.param(ROOM_BYTES * 0.9, id="a checkpoint runs full")],
)
def test_landing_stops_on_a_full_disk_and_goes_on_by_itself_when_there_is_room_again(
    mosquitto: Mosquitto,
    tap: Tap,
    disk: Disk,
    messages: list[RawMessage],
    long_log_bytes: float,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(database, "_LONG_LOG_BYTES", long_log_bytes)
    with landing(disk, tap) as (subscriber, store):
        health = subscriber.health
        disk.leave(ROOM_BYTES)
        send(mosquitto, messages)
        wait_until(lambda: "No space left on device" in str(health.failure), "the disk does not run full")
        assert str(health.failure).startswith(f"the store can't write: {disk.store}: can't be written: ")
        assert "\n" not in str(health.failure)

        landed = health.committed
        wait_until(lambda: len(tap.acknowledged[0]) == landed, "what was committed is not acknowledged")
        assert landing_counts(store)["samples"] == 60 * landed
        assert 0 < landed < health.received < len(messages)  # and the broker has the rest
        assert health.is_connected

        disk.free()
        wait_until(lambda: health.committed == len(messages), "landing does not go on")
        wait_until(lambda: len(tap.acknowledged[0]) == len(messages), "what was committed is not acknowledged")
        assert health.failure is None
        counts = landing_counts(store)
        assert (counts["messages"], counts["repeated"], counts["rejects"]) == (len(messages), 0, 0)
        assert content_hash(export_frame(store, "samples")) == content_hash(samples_of(messages))
    assert len(tap.acknowledged) == 1
    said = [record.getMessage() for record in caplog.records if record.name == "airwatch.store.database"]
    assert any("Checkpoint failed" in text for text in said) == (long_log_bytes < ROOM_BYTES)


def test_a_subscriber_that_ends_on_a_full_disk_leaves_the_rest_to_the_next(
    mosquitto: Mosquitto, tap: Tap, airwatch: Airwatch, disk: Disk, messages: list[RawMessage]
) -> None:
    with landing(disk, tap) as (subscriber, _):
        send(mosquitto, messages[:100])
        wait_until(lambda: subscriber.health.committed == 100, "messages are missing")
    disk.leave(ROOM_BYTES)
    process = airwatch.start("subscribe", "--broker", mosquitto.url, "--db", disk.store)
    assert process.stderr is not None
    send(mosquitto, messages[100:])
    said = ""
    while "No space left on device" not in said:
        line = process.stderr.readline()
        assert line, f"the subscriber ended: {said}"
        said += line
    process.send_signal(signal.SIGTERM)
    _, error = process.communicate(timeout=60)
    assert process.returncode == 0, error
    assert "Traceback" not in error

    disk.free()
    with Store.open(disk.store) as store:
        landed = landing_counts(store)["samples"]
    assert 60 * 100 <= landed < 60 * len(messages)
    with landing(disk, tap) as (subscriber, store):
        wait_until(lambda: subscriber.health.samples == 60 * len(messages) - landed, "samples are missing")
        assert content_hash(export_frame(store, "samples")) == content_hash(samples_of(messages))
