"""Alerts over MQTT, with a real Mosquitto."""

import json
import socket
import threading
from datetime import timedelta
from typing import Any

import paho.mqtt.client as paho
import polars as pl
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from airwatch.landing.broker_url import BrokerUrl
from airwatch.notify.errors import NotifyError
from pipelines.notify import CLOSED_EXPIRY_S, MqttVersion, Notifier
from tests.broker import Mosquitto, wait_until
from tests.notify.parts import MORNING, NOTHING_SENT, config, event, events

pytestmark = pytest.mark.broker
ONLY_MQTT = config("[mqtt]\n")
LATER = MORNING + timedelta(minutes=1)
OPENED = event("e1", alert_id="a")
VERIFIED = event("e2", alert_id="a", kind="verified")
OTHER = event("e3", alert_id="b", unit="K-9")


class Listener:
    """A program that comes later and hears what the broker retains."""

    def __init__(self, broker: Mosquitto, topics: str = "air/v1-alerts/#") -> None:
        self.heard: list[paho.MQTTMessage] = []
        self._subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = lambda _client, _data, message: self.heard.append(message)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        self._client.subscribe(topics, qos=1)
        assert self._subscribed.wait(30)

    def bodies(self, n: int) -> dict[str, dict[str, Any]]:
        """Wait for so many messages and give them by topic."""
        wait_until(lambda: len(self.heard) >= n, f"{n} messages are not heard, only {self.heard}")
        return {message.topic: json.loads(message.payload) for message in self.heard}

    def close(self) -> None:
        """Hear no more."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_whoever_comes_later_finds_each_alert_as_it_is(mosquitto: Mosquitto, version: MqttVersion) -> None:
    who = Notifier.open(ONLY_MQTT, {}, mosquitto.address, version=version)
    rows = who.send_due(events(OPENED, VERIFIED, OTHER), NOTHING_SENT, MORNING)
    assert rows.select("event_id", "target", "state").rows() == [(f"e{i}", "mqtt", "sent") for i in (1, 2, 3)]
    listener = Listener(mosquitto)
    heard = listener.bodies(2)
    listener.close()
    assert {topic: (body["event"], body["is_closed"]) for topic, body in heard.items()} == {
        "air/v1-alerts/north/K-204/a": ("e2", True),
        "air/v1-alerts/north/K-9/b": ("e3", False),
    }
    for message in listener.heard:
        assert (message.retain, message.qos) == (True, 1)
        expiry = getattr(message.properties, "MessageExpiryInterval", None)
        is_closed = json.loads(message.payload)["is_closed"]
        assert (expiry is not None and expiry <= CLOSED_EXPIRY_S) == (version == "5" and is_closed)
    assert who.send_due(events(OPENED, VERIFIED, OTHER), rows, LATER).is_empty()


def test_while_the_broker_is_away_nothing_is_lost(mosquitto: Mosquitto) -> None:
    who = Notifier.open(ONLY_MQTT, {}, mosquitto.address)
    mosquitto.stop()
    story = who.send_due(events(OPENED), NOTHING_SENT, MORNING)
    assert story.select("state", "attempts").rows() == [("failed", 1)]
    assert "no broker answers at mqtt://127.0.0.1" in story["reason"][0]
    story = pl.concat([story, who.send_due(events(OPENED, VERIFIED), story, MORNING)])
    assert story.select("event_id", "state").rows() == [("e1", "failed"), ("e2", "held")]  # it waits for its turn
    mosquitto.start()
    rows = who.send_due(events(OPENED, VERIFIED), story, LATER)
    assert rows.select("event_id", "state", "attempts").rows() == [("e1", "sent", 2), ("e2", "sent", 1)]
    listener = Listener(mosquitto)
    assert listener.bodies(1)["air/v1-alerts/north/K-204/a"]["event"] == "e2"
    listener.close()


def test_a_late_older_change_is_heard_but_not_retained(mosquitto: Mosquitto) -> None:
    who = Notifier.open(ONLY_MQTT, {}, mosquitto.address)
    story = who.send_due(events(VERIFIED), NOTHING_SENT, MORNING)
    live = Listener(mosquitto)
    live.bodies(1)
    assert who.send_due(events(OPENED, VERIFIED), story, LATER)["state"].to_list() == ["sent"]
    live.bodies(2)
    live.close()
    assert [(m.retain, json.loads(m.payload)["event"]) for m in live.heard] == [(True, "e2"), (False, "e1")]
    late = Listener(mosquitto)
    assert late.bodies(1)["air/v1-alerts/north/K-204/a"]["event"] == "e2"
    late.close()


def test_a_broker_that_refuses_the_topic_or_the_user_is_told_apart(mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    acl = mosquitto._folder / "acl"
    acl.write_text("topic read #\n")
    mosquitto.start(acl_file=str(acl))
    who = Notifier.open(ONLY_MQTT, {}, mosquitto.address)
    (reason,) = who.send_due(events(OPENED), NOTHING_SENT, MORNING)["reason"]
    assert "refuses it: Not authorized; let the user write there" in reason
    mosquitto.stop()
    mosquitto.start(allow_anonymous="false")
    (reason,) = who.send_due(events(OPENED), NOTHING_SENT, MORNING)["reason"]
    assert "does not let us in: Not authorized; check user" in reason


def test_vehicle_data_and_alerts_do_not_meet(mosquitto: Mosquitto) -> None:
    """What the landing subscribes to brings no alert."""
    landing = Listener(mosquitto, "air/v1/#")
    everything = Listener(mosquitto, "#")
    Notifier.open(ONLY_MQTT, {}, mosquitto.address).send_due(events(OPENED), NOTHING_SENT, MORNING)
    everything.bodies(1)
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.publish("air/v1/north/K-204/pressure", b"{}", qos=1).wait_for_publish(30)
    client.disconnect()
    client.loop_stop()
    assert list(landing.bodies(1)) == ["air/v1/north/K-204/pressure"]
    landing.close()
    everything.close()


def test_without_a_broker_there_is_no_start() -> None:
    with pytest.raises(NotifyError, match=r"mqtt: no broker is named; give --broker, or take \[mqtt\] out"):
        Notifier.open(ONLY_MQTT, {})


def test_nobody_listens_at_the_address() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    who = Notifier.open(ONLY_MQTT, {}, BrokerUrl("127.0.0.1", port, is_tls=False))
    assert who.send_due(events(OPENED), NOTHING_SENT, MORNING)["state"].to_list() == ["failed"]
