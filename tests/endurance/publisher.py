"""A publisher that holds what the broker may still lose.

A broker that is killed loses what it has acknowledged and not yet saved. So whoever publishes holds every message that
is not known to lie in the broker's file, and after a kill publishes from there on again: at least once, in order.
"""

import threading
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

Published = tuple[str, bytes, str]
"""Topic, payload, content type."""
_IN_FLIGHT = 200


class Publisher:
    """Publishes messages in order with QoS 1, as far as it is let, to one run of the broker.

    Parameters
    ----------
    port : int
        Where the broker listens.
    messages : sequence of Published
        All messages.
    first : int
        The first of them to publish; all before it are in the broker's file.
    fresh : int
        The first that was not published before. Those before it go out as fast as acknowledged.
    per_s : float
        How many fresh messages go out in a second.
    """

    def __init__(
        self, port: int, messages: Sequence[Published], *, first: int = 0, fresh: int = 0, per_s: float
    ) -> None:
        self._messages = messages
        self._first, self._fresh, self._pause_s = first, fresh, 1 / per_s
        self._limit = first
        self._ending = threading.Event()
        self._change = threading.Condition()
        self._room = threading.Semaphore(_IN_FLIGHT)
        self.n_published = 0
        """How many messages it has sent."""
        self.acknowledged = first
        """All messages before this one have been acknowledged by the broker; it does so in order."""
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(_IN_FLIGHT)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def reached(self) -> int:
        """The message that is published next."""
        return self._first + self.n_published

    def let(self, limit: int) -> None:
        """Let it publish all messages before this one."""
        with self._change:
            self._limit = limit
            self._change.notify_all()

    def close(self) -> None:
        """Publish no more."""
        self._ending.set()
        with self._change:
            self._change.notify_all()
        self._room.release()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        for k in range(self._first, len(self._messages)):
            with self._change:
                self._change.wait_for(lambda: self._ending.is_set() or k < self._limit)  # noqa: B023 it waits here
            self._room.acquire()
            if self._ending.is_set() or (k >= self._fresh and self._ending.wait(self._pause_s)):
                return
            topic, payload, content_type = self._messages[k]
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = content_type
            self._client.publish(topic, payload, qos=1, properties=properties)
            self.n_published += 1

    def _on_publish(self, _client: paho.Client, _data: Any, _mid: int, _reason: Any, _properties: Any) -> None:
        self.acknowledged += 1
        self._room.release()
