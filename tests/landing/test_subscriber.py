"""The subscriber against a real broker: what is acknowledged is committed, and what is not comes again."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import duckdb
import pytest

from airwatch.contract.batch import DecodedBatch
from airwatch.errors import BrokerError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.subscriber import GroupCommit, Subscriber
from airwatch.store.database import Store
from airwatch.store.export import export_frame
from airwatch.store.telemetry import Landed, TelemetryWriter
from tests.broker import Mosquitto, Tap, publish, wait_until
from tests.messages import drive, faults, governor, pressure, samples_of

pytestmark = pytest.mark.broker
VERSIONS = ["5", "3.1.1"]


@dataclass
class Writer:
    """Stands for the store: takes batches only while ``gate`` is open, and fails ``failures`` times first."""

    gate: threading.Event = field(default_factory=threading.Event)
    failures: int = 0
    seqs: list[int] = field(default_factory=list)
    n_waiting: int = 0

    def write(self, decoded: DecodedBatch) -> Landed:
        """Take a batch."""
        self.n_waiting += decoded.ledger.height
        assert self.gate.wait(60)
        if self.failures:
            self.failures -= 1
            raise duckdb.IOException("no space left on device")
        self.seqs += decoded.ledger["seq"].to_list()
        return Landed(1, decoded.ledger.height, decoded.samples.height, 0, decoded.rejects.height)


@contextmanager
def subscribed(subscriber: Subscriber) -> Iterator[Subscriber]:
    """Run a subscriber; stop it whatever happens."""
    subscriber.start()
    try:
        yield subscriber
    finally:
        subscriber.stop()


def numbered(n: int, first: int = 0) -> list[tuple[str, bytes, str | None]]:
    """Give small messages that are told apart by their ``seq``."""
    return [
        ("air/v1/north/K-204/pressure", json.dumps(pressure(seq=k)).encode(), None) for k in range(first, first + n)
    ]


@pytest.mark.parametrize("version", VERSIONS)
def test_what_is_published_is_landed(mosquitto: Mosquitto, tmp_path: Path, version: str) -> None:
    messages = drive("K-204", 30)
    others = [
        ("air/v1/north/K-204/governor", json.dumps(governor({"t": "2031-02-03T11:20:00Z", "kind": "cut_in"})).encode()),
        ("air/v1/north/K-204/faults", json.dumps(faults(codes=[{"spn": 789, "fmi": 5}])).encode()),
        ("air/v1/north/K-204/can", b"(1738581600.123456) can0 18FEAE0B#FFFF6464FFFFFFFF\n"),
        ("air/v1/north/K-204/pressure", b"\x00\xff"),
        ("air/v1/north/K-204/pressure/more", b"{}"),
        ("air/v1/north", b"{}"),
    ]
    with Store.open(tmp_path / "a.duckdb") as store:
        with subscribed(Subscriber(mosquitto.address, TelemetryWriter(store).write, version=version)) as subscriber:
            publish(mosquitto, [(m.topic, m.payload, None) for m in messages], version=version)
            publish(mosquitto, [(topic, payload, None) for topic, payload in others], version=version)
            wait_until(lambda: subscriber.health.committed == len(messages) + len(others), "not all was committed")
            assert subscriber.health.is_connected
        assert (subscriber.health.received, subscriber.health.rejected) == (36, 3)
        landed = export_frame(store, "samples")
        assert landed.filter(landed["t"].dt.year() == 2031).equals(samples_of(messages))
        assert subscriber.health.samples == landed.height == 1801
        rejects = export_frame(store, "rejects")
        assert sorted(rejects["topic"]) == sorted(topic for topic, _ in others[3:])


def test_the_content_type_of_mqtt_5_is_honoured(mosquitto: Mosquitto, tmp_path: Path) -> None:
    topic, body = "air/v1/north/K-204/pressure", json.dumps(pressure()).encode()
    sent = [(topic, body, "application/json"), (topic, body, "text/plain"), (topic, body, None)]
    with Store.open(tmp_path / "a.duckdb") as store:
        with subscribed(Subscriber(mosquitto.address, TelemetryWriter(store).write)) as subscriber:
            publish(mosquitto, sent)
            wait_until(lambda: subscriber.health.committed == 3, "not all was committed")
        kept = store.frame("SELECT content_type, reason FROM air.rejects")
        known = "application/cbor, application/json, application/senml+cbor, application/senml+json"
        reason = f"content type 'text/plain' is not one of {known} for stream pressure"
        assert kept.rows() == [("text/plain", reason)]


@pytest.mark.parametrize("version", VERSIONS)
def test_nothing_is_acknowledged_before_it_is_committed(mosquitto: Mosquitto, tap: Tap, version: str) -> None:
    writer = Writer()
    with subscribed(Subscriber(tap.address, writer.write, version=version)) as subscriber:
        publish(mosquitto, numbered(25), version=version)
        wait_until(lambda: writer.n_waiting and subscriber.health.received == 25, "the messages do not arrive")
        assert tap.acknowledged == [[]]
        writer.gate.set()
        wait_until(lambda: len(tap.acknowledged[0]) == 25, "what was committed is not acknowledged")
        assert writer.seqs == list(range(25))
    assert len(set(tap.acknowledged[0])) == len(tap.acknowledged[0]) == 25


@pytest.mark.parametrize("version", VERSIONS)
def test_after_a_reconnect_only_what_came_by_the_new_connection_is_acknowledged(
    mosquitto: Mosquitto, tap: Tap, version: str
) -> None:
    writer, later = Writer(), Writer()
    later.gate.set()
    with subscribed(Subscriber(tap.address, writer.write, version=version)) as subscriber:
        publish(mosquitto, numbered(20), version=version)
        wait_until(lambda: subscriber.health.received == 20 and writer.n_waiting, "the messages do not arrive")
        tap.cut()
        wait_until(lambda: subscriber.health.received == 40, "the broker does not send again what was not acknowledged")
        writer.gate.set()
        wait_until(lambda: subscriber.health.committed == 40, "not all was committed")
    assert writer.seqs == [*range(20), *range(20)]
    assert tap.acknowledged[0] == []
    assert len(set(tap.acknowledged[1])) == len(tap.acknowledged[1]) == 20
    publish(mosquitto, numbered(1, first=20), version=version)
    with subscribed(Subscriber(mosquitto.address, later.write, version=version)) as again:
        wait_until(lambda: again.health.committed, "what came while the subscriber was away is not there")
    assert later.seqs == [20]


def test_what_is_acknowledged_is_not_sent_again(mosquitto: Mosquitto) -> None:
    writer, later = Writer(), Writer()
    writer.gate.set()
    later.gate.set()
    with subscribed(Subscriber(mosquitto.address, writer.write)) as subscriber:
        publish(mosquitto, numbered(500))
        wait_until(lambda: subscriber.health.committed == 500, "not all was committed")
    publish(mosquitto, numbered(1, first=500))
    with subscribed(Subscriber(mosquitto.address, later.write)) as again:
        wait_until(lambda: again.health.committed, "what came while the subscriber was away is not there")
    assert writer.seqs == list(range(500))
    assert later.seqs == [500]


@pytest.mark.parametrize("version", VERSIONS)
def test_a_writer_that_fails_is_tried_again_and_health_says_so_meanwhile(mosquitto: Mosquitto, version: str) -> None:
    writer = Writer(failures=10**6)
    writer.gate.set()
    with subscribed(Subscriber(mosquitto.address, writer.write, version=version)) as subscriber:
        publish(mosquitto, numbered(10), version=version)
        wait_until(lambda: writer.failures <= 10**6 - 2, "the batch is not tried again")
        assert subscriber.health.failure == "the store can't write: no space left on device"
        assert (subscriber.health.received, subscriber.health.committed) == (10, 0)
        writer.failures = 0
        wait_until(lambda: subscriber.health.committed == 10, "the batch is not tried again")
    assert subscriber.health == replace(subscriber.health, failure=None)
    assert writer.seqs == list(range(10))


def test_a_subscriber_that_is_stopped_while_the_store_fails_acknowledges_nothing(mosquitto: Mosquitto) -> None:
    failing, later = Writer(failures=10**6), Writer()
    failing.gate.set()
    later.gate.set()
    with subscribed(Subscriber(mosquitto.address, failing.write)) as subscriber:
        publish(mosquitto, numbered(10))
        wait_until(lambda: subscriber.health.failure, "the failure does not show")
    with subscribed(Subscriber(mosquitto.address, later.write)) as again:
        wait_until(lambda: again.health.committed == 10, "the broker lost what was not committed")
    assert later.seqs == list(range(10))


def test_a_store_that_fails_at_once_is_not_taken_for_a_broker_that_refuses(mosquitto: Mosquitto, tap: Tap) -> None:
    first = Subscriber(mosquitto.address, Writer().write)
    first.start()
    first.stop()
    publish(mosquitto, numbered(3))  # the session is there, so these come before the answer to the new subscription
    failing = Writer(failures=1)
    failing.gate.set()
    subscriber = Subscriber(tap.address, failing.write)

    def let_subscribe() -> None:
        wait_until(lambda: subscriber.health.failure, "the write does not fail")
        tap.lets_subscribe.set()

    tap.lets_subscribe.clear()
    with ThreadPoolExecutor(1) as elsewhere:
        failed = elsewhere.submit(let_subscribe)
        with subscribed(subscriber):
            failed.result()
            wait_until(lambda: subscriber.health.committed == 3, "the subscriber gave up")


def test_groups_are_bounded_and_in_order(mosquitto: Mosquitto) -> None:
    sizes: list[int] = []
    writer = Writer()
    subscriber = Subscriber(mosquitto.address, writer.write, group=GroupCommit(messages=16))
    subscriber.on_commit = lambda landed: sizes.append(landed.n_messages)
    with subscribed(subscriber):
        publish(mosquitto, numbered(200))
        wait_until(lambda: subscriber.health.received >= 16, "the messages do not arrive")
        assert subscriber.health.received <= 48  # three groups: gathered, decoded, written
        writer.gate.set()
        wait_until(lambda: subscriber.health.committed == 200, "not all was committed")
    assert writer.seqs == list(range(200))
    assert max(sizes) <= 16


def test_a_queue_shorter_than_what_the_broker_sends_loses_nothing(mosquitto: Mosquitto) -> None:
    writer = Writer()  # with MQTT 3.1.1 a client can't bound what is in flight, and this broker does not
    subscriber = Subscriber(mosquitto.address, writer.write, version="3.1.1", group=GroupCommit(messages=16))
    with subscribed(subscriber):
        publish(mosquitto, numbered(300), version="3.1.1")
        wait_until(lambda: subscriber.health.received >= 32, "the messages do not arrive")
        writer.gate.set()
        wait_until(lambda: subscriber.health.committed == 300, "not all was committed")
    assert writer.seqs == list(range(300))


def test_stopping_commits_and_acknowledges_what_was_received(mosquitto: Mosquitto) -> None:
    writer, later = Writer(), Writer()
    later.gate.set()
    subscriber = Subscriber(mosquitto.address, writer.write)
    subscriber.start()
    publish(mosquitto, numbered(50))
    wait_until(lambda: subscriber.health.received == 50, "the messages do not arrive")
    stopping = threading.Thread(target=subscriber.stop)
    stopping.start()
    assert writer.seqs == []
    writer.gate.set()
    stopping.join(60)
    assert writer.seqs == list(range(50))
    publish(mosquitto, numbered(1, first=50))
    with subscribed(Subscriber(mosquitto.address, later.write)) as again:
        wait_until(lambda: again.health.committed, "what came while the subscriber was away is not there")
    assert later.seqs == [50]


def test_no_broker_at_that_address() -> None:
    with pytest.raises(
        BrokerError, match=r"^no broker answers at mqtt://127\.0\.0\.1:1: .*; start it, or check --broker$"
    ):
        Subscriber(BrokerUrl("127.0.0.1", 1, is_tls=False), Writer().write).start()


def test_a_broker_that_refuses_the_user(mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    mosquitto.start(allow_anonymous="false")
    why = "does not let 'airwatch' subscribe: the broker refused the connection: Not authorized; check user"
    for version in VERSIONS:
        with pytest.raises(BrokerError, match=why):
            Subscriber(mosquitto.address, Writer().write, version=version).start()


def test_a_broker_that_refuses_for_a_while_is_tried_again(
    mosquitto: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    writer = Writer()
    writer.gate.set()
    with subscribed(Subscriber(mosquitto.address, writer.write)) as subscriber:
        mosquitto.stop()
        mosquitto.start(allow_anonymous="false")
        wait_until(lambda: "the broker refused the connection" in caplog.text, "the refusal does not show")
        assert not subscriber.health.is_connected
        mosquitto.stop()
        mosquitto.start(allow_anonymous="true")
        publish(mosquitto, numbered(3))
        wait_until(lambda: subscriber.health.committed == 3, "the subscriber gave up")
    assert writer.seqs == [0, 1, 2]


def test_a_broker_that_refuses_the_subscription() -> None:
    # Mosquitto 2.0 grants every subscription, then sends nothing; this one refuses, as MQTT 3.1.1 section 3.9.3 says.
    def refuse(listener: socket.socket) -> None:
        connection, _ = listener.accept()
        with connection, connection.makefile("rb") as stream:
            read_packet(stream)
            connection.sendall(b"\x20\x02\x00\x00")
            packet_id = read_packet(stream)[:2]
            connection.sendall(b"\x90\x03" + packet_id + b"\x80")
            stream.read()

    with socket.create_server(("127.0.0.1", 0)) as listener:
        broker = threading.Thread(target=refuse, args=(listener,))
        broker.start()
        address = BrokerUrl("127.0.0.1", listener.getsockname()[1], is_tls=False)
        with pytest.raises(BrokerError, match="the broker refused the subscription: Unspecified error; check user"):
            Subscriber(address, Writer().write, version="3.1.1").start()
        broker.join(60)
        assert not broker.is_alive()


def read_packet(stream: BinaryIO) -> bytes:
    """Read one MQTT packet of under 128 bytes and give what follows its header."""
    _, length = stream.read(2)
    return stream.read(length)


def test_a_broker_that_drops_every_connection_is_not_asked_without_end(mosquitto: Mosquitto, tap: Tap) -> None:
    writer = Writer()
    writer.gate.set()
    with subscribed(Subscriber(tap.address, writer.write)) as subscriber:
        began = time.monotonic()
        while time.monotonic() - began < 2.0:
            tap.cut()
            time.sleep(0.001)
        assert len(tap.acknowledged) <= 5  # at once, then after 0.5, 1, 2 s
        publish(mosquitto, numbered(1))
        wait_until(lambda: subscriber.health.committed == 1, "it does not come back")
