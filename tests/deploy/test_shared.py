"""Two subscribers by a shared subscription, and why the README prefers one fleet to each."""

import threading
from dataclasses import dataclass, field

import pytest

from airwatch.contract.batch import DecodedBatch
from airwatch.landing.subscriber import Subscriber
from airwatch.store.telemetry import Landed
from tests.broker import wait_until
from tests.deploy.fleet_broker import VERSIONS, FleetBroker
from tests.messages import message, pressure

pytestmark = pytest.mark.broker

TOPIC = "air/v1/north/K-204/pressure"
SHARED = "$share/landing/air/v1/+/+/+"


def numbered(n: int, first: int = 0) -> list[bytes]:
    return [str(i).encode() for i in range(first, first + n)]


@pytest.mark.parametrize("version", VERSIONS)
def test_two_members_divide_the_load_and_each_message_comes_once(running: FleetBroker, version: str) -> None:
    options = {"version": version, "is_persistent": True}
    with (
        running.staff("landing", "airwatch-a", **options) as a,
        running.staff("landing", "airwatch-b", **options) as b,
        running.unit("north/K-204") as gateway,
    ):
        assert (a.subscribe(SHARED), b.subscribe(SHARED)) == (1, 1)
        gateway.publish_all(TOPIC, numbered(400))
        wait_until(lambda: len(a.got) + len(b.got) >= 400, "messages are lost between the two")
        a.fence()
        b.fence()
        assert sorted(a.payloads() + b.payloads()) == sorted(numbered(400))
        assert (len(a.got), len(b.got)) == (200, 200)  # in turn, not by unit: each store has half of every unit


def test_a_member_that_is_away_keeps_its_turn(running: FleetBroker) -> None:
    """So no stand-by: half of what comes waits until that very member is back."""
    with running.staff("landing", "airwatch-a", is_persistent=True) as a:
        with running.staff("landing", "airwatch-b", is_persistent=True) as b:
            assert (a.subscribe(SHARED), b.subscribe(SHARED)) == (1, 1)
        with running.unit("north/K-204") as gateway:
            gateway.publish_all(TOPIC, numbered(100))
        a.fence()
        assert len(a.got) == 50
        with running.staff("landing", "airwatch-b", is_persistent=True) as b:
            wait_until(lambda: len(b.got) == 50, "the other half is lost")
            assert sorted(a.payloads() + b.payloads()) == sorted(numbered(100))


@pytest.mark.parametrize(("topic_filter", "is_kept"), [("air/v1/#", True), (SHARED, False)])
def test_a_broker_that_was_restarted_forgets_shared_subscriptions(
    running: FleetBroker, topic_filter: str, *, is_kept: bool
) -> None:
    """Mosquitto 2.0.11 does not save them: what comes before the member subscribes again is nobody's."""
    with running.staff("landing", "airwatch", is_persistent=True) as member:
        member.subscribe(topic_filter)
    with running.unit("north/K-204") as gateway:
        gateway.publish(TOPIC, b"before")
    running.stop()
    running.start()
    with running.unit("north/K-204") as gateway:
        gateway.publish(TOPIC, b"between")
        with running.staff("landing", "airwatch", is_persistent=True) as member:
            member.subscribe(topic_filter)
            gateway.publish(TOPIC, b"after")
            wait_until(lambda: b"after" in member.payloads(), "the last message does not arrive")
            assert member.payloads() == [b"before", *([b"between"] if is_kept else []), b"after"]


@pytest.mark.parametrize(("group", "n_landed"), [("landing", 50), ("another", 100)])
def test_a_unit_that_knows_the_group_s_name_can_take_messages_out(
    running: FleetBroker, group: str, n_landed: int
) -> None:
    """It may not read them, but they count as delivered. So the README has a group's name be a secret."""
    with (
        running.staff("landing", "airwatch", is_persistent=True) as member,
        running.unit("north/K-20") as thief,
        running.unit("north/K-204") as gateway,
    ):
        member.subscribe(SHARED)
        thief.subscribe(SHARED.replace("landing", group))
        gateway.publish_all(TOPIC, numbered(100))
        member.fence()
        thief.fence()
        assert len(member.got) == n_landed
        assert thief.got == []


@pytest.mark.parametrize("topic_filter", ["air/v1/#", "air/v1/north/#"])
def test_a_plain_subscription_cannot_be_robbed(running: FleetBroker, topic_filter: str) -> None:
    with (
        running.staff("landing", "airwatch", is_persistent=True) as member,
        running.unit("north/K-20") as thief,
        running.unit("north/K-204") as gateway,
    ):
        member.subscribe(topic_filter)
        thief.subscribe(topic_filter)
        gateway.publish_all(TOPIC, numbered(100))
        member.fence()
        assert member.payloads() == numbered(100)


@dataclass
class Writer:
    """Stands for a store: takes batches while ``gate`` is open."""

    gate: threading.Event = field(default_factory=threading.Event)
    seqs: list[int] = field(default_factory=list)

    def write(self, decoded: DecodedBatch) -> Landed:
        """Take a batch."""
        assert self.gate.wait(60)
        self.seqs += decoded.ledger["seq"].to_list()
        return Landed(1, decoded.ledger.height, decoded.samples.height, 0, decoded.rejects.height)


@pytest.mark.parametrize("version", VERSIONS)
def test_the_subscriber_lands_a_shared_subscription(running: FleetBroker, version: str) -> None:
    writers = [Writer(), Writer()]
    members = [
        Subscriber(
            running.address_of("landing"), writer.write, client_id=f"airwatch-{i}", version=version, share="landing"
        )
        for i, writer in enumerate(writers)
    ]
    for member in members:
        member.start()
    try:
        with running.unit("north/K-204") as gateway:
            gateway.publish_all(TOPIC, [message(pressure(seq=seq)).payload for seq in range(3000)])
        wait_until(lambda: [one.health.received for one in members] == [1500, 1500], "not all is handed out at once")
        assert [one.health.committed for one in members] == [0, 0]
        for writer in writers:
            writer.gate.set()
        wait_until(lambda: sum(one.health.committed for one in members) == 3000, "not all is committed")
    finally:
        for writer in writers:
            writer.gate.set()
        for member in members:
            member.stop()
    assert sorted(writers[0].seqs + writers[1].seqs) == list(range(3000))
