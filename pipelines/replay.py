"""Publishing recordings to a broker, as fast as acknowledged or at a multiple of the speed they were recorded at."""

import logging
import re
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import read_messages
from airwatch.errors import BrokerError, RecordingError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.client import connect, make_client

log = logging.getLogger(__name__)

_IN_FLIGHT = 1000
_LONGEST_WAIT_S = 60.0
_NO_WILDCARD = re.compile(r"[^+#\0]+")


def replay(
    paths: Iterable[Path],
    broker: BrokerUrl,
    *,
    speed: float,
    version: str = "5",
    client_id: str = "airwatch-replay",
    on_published: Callable[[int], None] | None = None,
) -> int:
    """Publish recordings with QoS 1 and wait until the broker has acknowledged every message.

    Parameters
    ----------
    paths : iterable of Path
        NDJSON recordings, published one after another.
    broker : BrokerUrl
        Where to.
    speed : float
        Times the recorded speed; 0 as fast as the broker acknowledges.
    version : str
        MQTT "5" or "3.1.1".
    client_id : str
        As whom.
    on_published : callable, optional
        Told how many messages have been acknowledged so far.

    Returns
    -------
    int
        Messages published.

    Raises
    ------
    BrokerError
        The broker can't be reached, refuses the client, or stops acknowledging.
    RecordingError
        A recording can't be read.
    """
    publisher = _Publisher(broker, version, client_id, on_published)
    with publisher:
        try:
            for message in _paced((m for path in paths for m in read_messages(path)), speed):
                publisher.publish(message)
        except RecordingError:
            publisher.settle()  # what stands before the broken place has gone out
            raise
        publisher.settle()
    return publisher.published


class _Publisher:
    """A client that keeps a bounded number of messages in flight."""

    def __init__(
        self, broker: BrokerUrl, version: str, client_id: str, on_published: Callable[[int], None] | None
    ) -> None:
        self._broker = broker
        self._client = make_client(
            paho.Client, broker, client_id, version=version, is_persistent=False, manual_ack=False
        )
        self._client.max_inflight_messages_set(_IN_FLIGHT)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._room = threading.BoundedSemaphore(2 * _IN_FLIGHT)
        self._connected = threading.Event()
        self._refused: str | None = None
        self._on_published = on_published
        self._acknowledged = 0
        self.published = 0

    def __enter__(self) -> Self:
        connect(self._client, self._broker, is_persistent=False)
        self._client.loop_start()
        if not self._connected.wait(_LONGEST_WAIT_S) or self._refused:
            self._client.loop_stop()
            raise BrokerError(
                f"{self._broker} does not take the client: {self._refused or 'no answer'}; check user and password"
            )
        return self

    def __exit__(self, *_exc: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, message: RawMessage) -> None:
        """Hand one message on, waiting for room in flight."""
        if not message.topic or not _NO_WILDCARD.fullmatch(message.topic):
            log.warning("%s: not published, it has no topic that a message can be published to", message.line)
            return
        properties = None
        if self._client.protocol == paho.MQTTv5 and message.content_type:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = message.content_type
        if not self._room.acquire(timeout=_LONGEST_WAIT_S):
            raise BrokerError(f"{self._broker} has acknowledged nothing for {_LONGEST_WAIT_S:g} s; is it up?")
        self._client.publish(message.topic, message.payload, qos=1, properties=properties)
        self.published += 1

    def settle(self) -> None:
        """Wait until everything published has been acknowledged."""
        for _ in range(2 * _IN_FLIGHT):
            if not self._room.acquire(timeout=_LONGEST_WAIT_S):
                raise BrokerError(f"{self._broker} has acknowledged nothing for {_LONGEST_WAIT_S:g} s; is it up?")

    def _on_connect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._refused = str(reason) if reason.is_failure else None
        self._connected.set()

    def _on_publish(self, _client: paho.Client, _data: Any, _mid: int, _reason: Any, _properties: Any) -> None:
        self._acknowledged += 1
        self._room.release()
        if self._on_published:
            self._on_published(self._acknowledged)


def _paced(messages: Iterator[RawMessage], speed: float) -> Iterator[RawMessage]:
    """Hold messages back so that they go out ``speed`` times as fast as they were received."""
    if speed <= 0:
        yield from messages
        return
    began: tuple[float, int] | None = None
    for message in messages:
        if message.received_us:
            began = began or (time.monotonic(), message.received_us)
            due_s = (message.received_us - began[1]) / 1e6 / speed
            time.sleep(max(0.0, began[0] + due_s - time.monotonic()))
        yield message
