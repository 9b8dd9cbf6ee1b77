"""The subscriber: messages from the broker, committed in groups, acknowledged after the commit.

Three threads and a process. The network thread (`airwatch.landing.network`) puts messages on a queue, as the bytes that
came. The gathering thread makes groups of them and has each decoded, in another process where the load wants it. The
landing thread writes a decoded group in one transaction and hands its acknowledgements to the network thread, in the
order of arrival. While one group is written the next is decoded and the one after it gathered.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter
from typing import Any, TypeVar

import paho.mqtt.client as paho

from airwatch.contract.batch import DecodedBatch
from airwatch.contract.topics import ROOT, subscription
from airwatch.errors import BrokerError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.client import connect, make_client
from airwatch.landing.decoding import Decoder, InlineDecoder, Outcome
from airwatch.landing.network import BufferedClient, NetworkLoop
from airwatch.landing.packets import Packets
from airwatch.store.telemetry import Landed

log = logging.getLogger(__name__)

Done = TypeVar("Done")

_LONGEST_PAUSE_S = 30.0
_GROUPS_AT_ONCE = 3  # one gathered, one decoded, one written


@dataclass(frozen=True, slots=True)
class GroupCommit:
    """When a group is committed: it is full, or old, or nothing more comes.

    ``messages`` and ``bytes`` bound a group; three groups are held at the most, so memory is bounded at any arrival
    rate. ``age_s`` bounds how long a message waits while others keep coming. ``idle_s`` commits early when the broker
    has sent all that it may: a broker that allows fewer messages in flight than ``messages`` would otherwise wait
    for acknowledgements, and we for messages.

    Of messages of a minute at 1 Hz 2048 make a whole row group of the store, which it writes without going through its
    log.
    """

    messages: int = 2048
    bytes: int = 16_000_000
    age_s: float = 0.5
    idle_s: float = 0.05


@dataclass(slots=True)
class Health:
    """What a page or a probe may ask of the subscriber."""

    is_connected: bool = False
    received: int = 0
    committed: int = 0
    rejected: int = 0
    samples: int = 0
    last_commit_s: float | None = None
    failure: str | None = None


@dataclass(frozen=True, slots=True)
class _Delivery:
    """Messages that came together, the PUBACK packets for them, and the connection that these are good for."""

    packets: Packets
    acknowledgements: bytes
    connection: int


@dataclass(slots=True)
class Subscriber:
    """Lands everything below the topic root until it is stopped.

    ``write`` commits a decoded batch or raises; it is tried again until it succeeds or the subscriber is stopped, and
    nothing is acknowledged meanwhile. ``share`` names a group of subscribers that divide the load (MQTT 5 shared
    subscription). ``decoder`` is closed when the subscriber stops.
    """

    broker: BrokerUrl
    write: Callable[[DecodedBatch], Landed]
    client_id: str = "airwatch"
    root: str = ROOT
    version: str = "5"
    share: str | None = None
    group: GroupCommit = field(default_factory=GroupCommit)
    decoder: Decoder | None = None
    health: Health = field(default_factory=Health)
    on_commit: Callable[[Landed], None] | None = None
    _received: "queue.SimpleQueue[_Delivery | None]" = field(init=False, default_factory=queue.SimpleQueue)
    _decoding: "queue.Queue[tuple[list[_Delivery], Outcome] | None]" = field(init=False)
    _network: NetworkLoop = field(init=False)
    _decoder: Decoder = field(init=False)
    _threads: list[threading.Thread] = field(init=False, default_factory=list)
    _ending: threading.Event = field(init=False, default_factory=threading.Event)
    _subscribed: threading.Event = field(init=False, default_factory=threading.Event)
    _refusal: str | None = field(init=False, default=None)
    _waiting_bytes: int = field(init=False, default=0)
    _taken_bytes: int = field(init=False, default=0)

    def start(self, *, timeout_s: float = 30.0) -> None:
        """Connect, subscribe and begin to land.

        Raises
        ------
        BrokerError
            No broker answers, or it refuses the connection or the subscription.
        """
        client = make_client(
            BufferedClient, self.broker, self.client_id, version=self.version, is_persistent=True, manual_ack=True
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        most = min(_GROUPS_AT_ONCE * self.group.messages, 65535)
        self._decoder = self.decoder or InlineDecoder(self.root)
        try:
            connect(client, self.broker, is_persistent=True, receive_maximum=most)
        except BrokerError:
            self._decoder.close()
            raise
        self._decoding = queue.Queue(1)
        self._network = NetworkLoop(client, room=self._room, take=self._take)
        self._threads = [
            threading.Thread(target=target, name=name, daemon=True)
            for target, name in ((self._gather, "gathering"), (self._land, "landing"))
        ]
        for thread in self._threads:
            thread.start()
        self._network.start()
        if not self._subscribed.wait(timeout_s) or self._refusal:
            reason = self._refusal or f"no answer within {timeout_s:g} s"
            self.stop()
            raise BrokerError(
                f"{self.broker} does not let {self.client_id!r} subscribe: {reason}; check user, password and ACL"
            )

    def stop(self) -> None:
        """Commit and acknowledge what has been received, then disconnect. What comes later stays with the broker."""
        self._ending.set()
        self._received.put(None)
        for thread in self._threads:
            thread.join()
        self._network.stop()
        self._decoder.close()

    # the network thread ---------------------------------------------------------------------------------------------

    def _room(self) -> int:
        """Say how many messages may be taken: none while as much is waiting as may be held, or when it is to end."""
        # a broker that keeps to the receive maximum never sends more than may wait, and what it answers to a ping is
        # read however long the store takes; one that does not is left waiting
        waiting = self.health.received - self.health.committed
        held_bytes = self._waiting_bytes - self._taken_bytes
        if held_bytes > _GROUPS_AT_ONCE * self.group.bytes or self._ending.is_set():
            return 0
        to_full_group = self.group.messages - self.health.received % self.group.messages
        return min(_GROUPS_AT_ONCE * self.group.messages - waiting, to_full_group)

    def _take(self, packets: Packets, acknowledgements: bytes) -> None:
        self.health.received += packets.n
        self._waiting_bytes += len(packets.wire)
        self._received.put(_Delivery(packets, acknowledgements, self._network.connection))

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refuse(f"the broker refused the connection: {reason}")
            return
        self._network.connection += 1
        self.health.is_connected = True
        wanted = subscription(self.root)
        client.subscribe(f"$share/{self.share}/{wanted}" if self.share else wanted, qos=1)

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.health.is_connected = False
        if not self._ending.is_set():
            log.warning("connection to %s lost (%s); trying again", self.broker, reason)

    def _on_subscribe(self, _client: paho.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refuse(f"the broker refused the subscription: {reasons[0]}")
        self._subscribed.set()

    def _refuse(self, reason: str) -> None:
        """Note a refusal; once the subscriber runs it can only be waited out, as the client tries again by itself."""
        if self._subscribed.is_set():
            log.error("%s: %s; trying again", self.broker, reason)
        else:
            self._refusal = reason
            self._subscribed.set()

    # the gathering thread -------------------------------------------------------------------------------------------

    def _gather(self) -> None:
        is_open = True
        while is_open:
            group, is_open = self._next_group()
            if group:
                self._decoding.put((group, self._decoder.submit([delivery.packets for delivery in group])))
        self._decoding.put(None)

    def _next_group(self) -> tuple[list[_Delivery], bool]:
        """Wait for messages; give a group of them, and whether there will be more."""
        delivery = self._received.get()
        group: list[_Delivery] = []
        n = n_bytes = 0
        deadline = time.monotonic() + self.group.age_s
        while delivery is not None:
            group.append(delivery)
            n += delivery.packets.n
            n_bytes += len(delivery.packets.wire)
            left_s = deadline - time.monotonic()
            if n >= self.group.messages or n_bytes >= self.group.bytes or left_s <= 0:
                return group, True
            try:
                delivery = self._received.get(timeout=min(left_s, self.group.idle_s))
            except queue.Empty:
                return group, True
        return group, False

    # the landing thread ---------------------------------------------------------------------------------------------

    def _land(self) -> None:
        while (work := self._decoding.get()) is not None:
            group, outcome = work
            parts = self._until_done("messages can't be decoded", outcome)
            if parts is not None and self._commit(group, parts):
                self._acknowledge(group)
            del work, group, outcome, parts  # the next may be long in coming

    def _commit(self, group: list[_Delivery], parts: list[DecodedBatch]) -> bool:
        """Write the group, however often it takes; False if the subscriber was stopped before it could be written."""
        n_rejected = n_samples = 0
        for part in parts:
            landed = self._write(part)
            if landed is None:
                return False
            n_rejected += landed.n_rejected
            n_samples += landed.n_samples
        self.health.failure = None
        self.health.rejected += n_rejected
        self.health.samples += n_samples
        self.health.last_commit_s = time.time()
        self.health.committed += sum(delivery.packets.n for delivery in group)
        self._taken_bytes += sum(len(delivery.packets.wire) for delivery in group)
        return True

    def _write(self, part: DecodedBatch) -> Landed | None:
        landed = self._until_done("the store can't write", lambda: self.write(part))
        if landed is not None and self.on_commit:
            self.on_commit(landed)
        return landed

    def _until_done(self, what: str, action: Callable[[], Done]) -> Done | None:
        """Do something however often it takes; None if the subscriber was stopped before it could be done."""
        pause_s = 0.5
        while True:
            try:
                return action()
            except Exception as err:  # noqa: BLE001 whatever it is, the broker keeps the messages and we go on
                self.health.failure = f"{what}: {err}"
                log.error("%s, trying again in %.1f s, nothing is acknowledged: %s", what, pause_s, err)  # noqa: TRY400
                if self._ending.wait(pause_s):
                    return None
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _acknowledge(self, group: list[_Delivery]) -> None:
        """Have the network thread acknowledge a committed group, by the connections its messages came by."""
        for connection, deliveries in groupby(group, key=attrgetter("connection")):
            self._network.acknowledge(connection, b"".join(delivery.acknowledgements for delivery in deliveries))
