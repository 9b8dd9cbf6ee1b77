"""The subscriber: messages from the broker, committed in groups, acknowledged after the commit.

Two threads. The network thread puts each message on a bounded queue and does nothing else. The landing thread takes a
group, decodes it, writes it in one transaction, and acknowledges its messages in the order of their arrival.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.topics import ROOT, subscription
from airwatch.errors import BrokerError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.client import connect, make_client
from airwatch.store.telemetry import Landed

log = logging.getLogger(__name__)

_LONGEST_PAUSE_S = 30.0


@dataclass(frozen=True, slots=True)
class GroupCommit:
    """When a group is committed: it is full, or old, or nothing more comes.

    ``messages`` bounds the group and the queue before it, so memory is bounded by twice that many messages. ``age_s``
    bounds how long a message waits while others keep coming. ``idle_s`` commits early when the broker has sent all
    that it may: a broker that allows fewer messages in flight than ``messages`` would otherwise wait for
    acknowledgements, and we for messages.
    """

    messages: int = 4000
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
    """A message, and by which connection and number it is to be acknowledged."""

    message: RawMessage
    mid: int
    qos: int
    connection: int


@dataclass(slots=True)
class Subscriber:
    """Lands everything below the topic root until it is stopped.

    ``write`` commits a decoded batch or raises; it is tried again until it succeeds or the subscriber is stopped, and
    nothing is acknowledged meanwhile.
    """

    broker: BrokerUrl
    write: Callable[[DecodedBatch], Landed]
    client_id: str = "airwatch"
    root: str = ROOT
    version: str = "5"
    group: GroupCommit = field(default_factory=GroupCommit)
    health: Health = field(default_factory=Health)
    on_commit: Callable[[Landed], None] | None = None
    _queue: "queue.Queue[_Delivery]" = field(init=False)
    _client: paho.Client = field(init=False)
    _ending: threading.Event = field(init=False, default_factory=threading.Event)
    _link: threading.Lock = field(init=False, default_factory=threading.Lock)
    _connection: int = field(init=False, default=0)
    _subscribed: threading.Event = field(init=False, default_factory=threading.Event)
    _refusal: str | None = field(init=False, default=None)
    _thread: threading.Thread = field(init=False)

    def start(self, *, timeout_s: float = 30.0) -> None:
        """Connect, subscribe and begin to land.

        Raises
        ------
        BrokerError
            No broker answers, or it refuses the connection or the subscription.
        """
        self._queue = queue.Queue(self.group.messages)
        client = make_client(self.broker, self.client_id, version=self.version, is_persistent=True, manual_ack=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        self._client = client
        connect(client, self.broker, is_persistent=True, receive_maximum=min(self.group.messages, 65535))
        self._thread = threading.Thread(target=self._land, name="landing", daemon=True)
        self._thread.start()
        client.loop_start()
        if not self._subscribed.wait(timeout_s) or self._refusal:
            reason = self._refusal or f"no answer within {timeout_s:g} s"
            self.stop()
            raise BrokerError(
                f"{self.broker} does not let {self.client_id!r} subscribe: {reason}; check user, password and ACL"
            )

    def stop(self) -> None:
        """Commit and acknowledge what has been received, then disconnect. What comes later stays with the broker."""
        self._ending.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    # the network thread ---------------------------------------------------------------------------------------------

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refuse(f"the broker refused the connection: {reason}")
            return
        with self._link:
            self._connection += 1
            self.health.is_connected = True
        client.subscribe(subscription(self.root), qos=1)

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._link:
            self.health.is_connected = False
        if not self._ending.is_set():
            log.warning("connection to %s lost (%s); trying again", self.broker, reason)

    def _on_subscribe(self, _client: paho.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refuse(f"the broker refused the subscription: {reasons[0]}")
        self._subscribed.set()

    def _refuse(self, refusal: str) -> None:
        self._refusal = self.health.failure = refusal
        self._subscribed.set()

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        content_type = getattr(message.properties, "ContentType", None) if message.properties else None
        raw = RawMessage(message.topic, bytes(message.payload), time.time_ns() // 1000, content_type)
        delivery = _Delivery(raw, message.mid, message.qos, self._connection)
        self.health.received += 1
        while not self._ending.is_set():
            try:
                self._queue.put(delivery, timeout=0.2)
            except queue.Full:  # only where the broker allows more in flight than the queue holds: let it wait
                continue
            return

    # the landing thread ---------------------------------------------------------------------------------------------

    def _land(self) -> None:
        while not (self._ending.is_set() and self._queue.empty()):
            group = self._next_group()
            if group and self._commit(group):
                self._acknowledge(group)

    def _next_group(self) -> list[_Delivery]:
        try:
            group = [self._queue.get(timeout=0.2)]
        except queue.Empty:
            return []
        deadline = time.monotonic() + self.group.age_s
        while len(group) < self.group.messages:
            left_s = deadline - time.monotonic()
            try:
                group.append(
                    self._queue.get(timeout=max(min(left_s, self.group.idle_s), 0))
                    if left_s > 0
                    else self._queue.get_nowait()
                )
            except queue.Empty:
                break
            if left_s <= 0:
                break
        return group

    def _commit(self, group: list[_Delivery]) -> bool:
        """Write the group, however often it takes; False if the subscriber was stopped before it could be written."""
        decoded = decode_batch((delivery.message for delivery in group), root=self.root)
        pause_s = 0.5
        while True:
            try:
                landed = self.write(decoded)
            except Exception as err:  # noqa: BLE001 whatever the store says, the broker keeps the messages and we go on
                self.health.failure = f"the store can't write: {err}"
                log.error("the store can't write, trying again in %.1f s, nothing is acknowledged: %s", pause_s, err)  # noqa: TRY400
                if self._ending.wait(pause_s):
                    return False
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
                continue
            self.health.failure = None
            self.health.committed += len(group)
            self.health.rejected += landed.n_rejected
            self.health.samples += landed.n_samples
            self.health.last_commit_s = time.time()
            if self.on_commit:
                self.on_commit(landed)
            return True

    def _acknowledge(self, group: list[_Delivery]) -> None:
        for delivery in group:
            with self._link:
                if self.health.is_connected and delivery.connection == self._connection:
                    self._client.ack(delivery.mid, delivery.qos)
