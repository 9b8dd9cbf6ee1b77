"""What the shipped broker keeps for a subscriber that is slow, away, or whose broker was killed."""

from pathlib import Path

import pytest

from tests.broker import wait_until
from tests.deploy.fleet_broker import VERSIONS, FleetBroker, Peer

pytestmark = pytest.mark.broker

LARGEST = 1 << 24
TOPIC = "air/v1/north/K-204/pressure"


def numbered(n: int, first: int = 0, size: int = 0) -> list[bytes]:
    return [str(i).encode().rjust(size, b"0") for i in range(first, first + n)]


def landing(broker: FleetBroker, *, version: str = "5", is_acknowledging: bool = True) -> Peer:
    """Give the subscriber with its kept session."""
    peer = broker.staff("landing", "airwatch", version=version, is_persistent=True, is_acknowledging=is_acknowledging)
    if not peer.is_resumed:
        peer.subscribe("air/v1/#")
    return peer


@pytest.mark.parametrize("version", VERSIONS)
def test_a_subscriber_that_has_acknowledged_nothing_gets_a_whole_group(running: FleetBroker, version: str) -> None:
    with landing(running, version=version, is_acknowledging=False) as subscriber, running.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(4000))
        wait_until(lambda: len(subscriber.got) == 4000, "the broker holds messages back")
        assert subscriber.payloads() == numbered(4000)


def test_with_the_default_in_flight_it_would_get_twenty(broker: FleetBroker) -> None:
    broker.start(max_inflight_messages="20")  # Mosquitto's default: what the shipped number is for
    with landing(broker, is_acknowledging=False) as subscriber, broker.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(100))
        subscriber.fence()
        assert subscriber.payloads() == numbered(20)
        subscriber.acknowledge_all()
        wait_until(lambda: len(subscriber.got) == 100, "acknowledging brings no more")


def test_a_backlog_is_put_in_flight_beyond_the_limit_and_stays_in_order(broker: FleetBroker) -> None:
    """Mosquitto 2.0.11: one acknowledgement moves as many as the limit. What the file says of memory counts on it."""
    broker.start(max_inflight_messages="50")
    landing(broker).close()
    with broker.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(500))
    with landing(broker, is_acknowledging=False) as subscriber:
        subscriber.fence()
        assert subscriber.payloads() == numbered(50)
        subscriber.client.ack(subscriber.got[0].mid, 1)
        subscriber.fence()
        assert subscriber.payloads() == numbered(100)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_dead_subscriber_misses_nothing_within_the_limits(running: FleetBroker, version: str) -> None:
    landing(running, version=version).close()
    with running.unit("north/K-204", version=version) as unit:
        unit.publish_all(TOPIC, numbered(5000))  # the default of 1000 would drop 4000 of them
    with landing(running, version=version) as subscriber:
        assert subscriber.is_resumed
        wait_until(lambda: len(subscriber.got) >= 5000, "messages were dropped")
        assert subscriber.payloads() == numbered(5000)


@pytest.mark.parametrize(
    ("limit", "n_kept"), [({"max_queued_messages": "50"}, 50), ({"max_queued_bytes": "10000"}, 10)]
)
def test_beyond_a_limit_the_newest_are_acknowledged_and_dropped(
    broker: FleetBroker, limit: dict[str, str], n_kept: int
) -> None:
    """The vehicle is not told; the log is. So the limits are large, and the log is to be watched."""
    broker.start(**limit)
    landing(broker).close()
    with broker.unit("north/K-204") as unit:
        assert [unit.publish(TOPIC, payload) for payload in numbered(80, size=1000)] == [0] * 80
    with landing(broker) as subscriber, broker.unit("north/K-204") as unit:
        unit.publish(TOPIC, b"marker")
        wait_until(lambda: b"marker" in subscriber.payloads(), "the marker does not arrive")
        assert subscriber.payloads() == [*numbered(n_kept, size=1000), b"marker"]
    assert "Outgoing messages are being dropped for client airwatch" in broker.log()


@pytest.mark.parametrize("version", VERSIONS)
def test_a_packet_above_the_limit_ends_the_connection_and_the_log_says_so(running: FleetBroker, version: str) -> None:
    """Not acknowledged and thrown away, as ``message_size_limit`` would have it for MQTT 3.1.1."""
    with landing(running) as subscriber, running.unit("north/K-205") as other:
        with running.unit("north/K-204", version=version) as unit:
            assert unit.publish(TOPIC, bytes(LARGEST - 100)) == 0  # room for topic and header
            unit.client.publish(TOPIC, bytes(LARGEST), qos=1)
            wait_until(lambda: unit.n_disconnects, "the broker takes it")
        other.publish("air/v1/north/K-205/pressure", b"marker")
        wait_until(lambda: b"marker" in subscriber.payloads(), "the marker does not arrive")
        assert [len(payload) for payload in subscriber.payloads()] == [LARGEST - 100, 6]
    assert "north/K-204 disconnected due to oversize packet" in running.log()


def test_a_kill_loses_what_was_acknowledged_after_the_last_save_and_no_more(running: FleetBroker) -> None:
    landing(running).close()
    with running.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(200))
        running.save()
        unit.publish_all(TOPIC, numbered(30, first=200))
        running.kill()
    running.start()
    with running.unit("north/K-204") as unit:
        unit.publish(TOPIC, b"marker")  # while the subscriber is still away: its session was restored, and its rights
    with landing(running) as subscriber:
        assert subscriber.is_resumed
        wait_until(lambda: b"marker" in subscriber.payloads(), "the marker does not arrive")
        assert subscriber.payloads() == [*numbered(200), b"marker"]


def test_it_saves_by_itself_every_so_many_seconds(broker: FleetBroker, tmp_path: Path) -> None:
    broker.start(autosave_interval="1")
    file = tmp_path / "broker" / "mosquitto.db"
    landing(broker).close()
    with broker.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(200))
        wait_until(lambda: file.exists() and numbered(200)[-1] in file.read_bytes(), "nothing is saved")
        broker.kill()
    broker.start()
    with landing(broker) as subscriber:
        wait_until(lambda: len(subscriber.got) >= 200, "what was saved does not come back")
        assert subscriber.payloads() == numbered(200)


def test_a_stop_loses_nothing(running: FleetBroker) -> None:
    with landing(running, is_acknowledging=False) as subscriber, running.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(100))
        wait_until(lambda: len(subscriber.got) == 100, "the messages do not arrive")
    with running.unit("north/K-204") as unit:
        unit.publish_all(TOPIC, numbered(100, first=100))
    running.stop()
    running.start()
    with landing(running) as subscriber:
        wait_until(lambda: len(subscriber.got) >= 200, "messages are lost")
        assert subscriber.payloads() == numbered(200)  # what was in flight, and what was queued
