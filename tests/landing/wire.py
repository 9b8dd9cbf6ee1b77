"""PUBLISH packets as a broker writes them; paho, which writes the same packet as a client, makes them."""

from collections.abc import Sequence

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.contract.message import RawMessage
from airwatch.landing.packets import Packets


class Writer(paho.Client):
    """A client that keeps what it would send."""

    def __init__(self, *, is_v5: bool = True) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if is_v5 else paho.MQTTv311)
        self.sent: list[bytes] = []

    def _packet_queue(self, _command: int, packet: bytes, *_others: object) -> paho.MQTTErrorCode:  # type: ignore[override]
        self.sent.append(bytes(packet))
        return paho.MQTT_ERR_SUCCESS

    def write(self, message: RawMessage, mid: int, *, qos: int = 1, **others: object) -> bytes:
        """Give the packet of one message; ``others`` are further properties by their name in paho."""
        properties = None
        if self.protocol == paho.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            for name, value in ({"ContentType": message.content_type} | others).items():
                if value is not None:
                    setattr(properties, name, value)
        self._sock = True  # type: ignore[assignment] it only asks whether there is one
        self._send_publish(mid, message.topic.encode(), message.payload, qos, properties=properties)
        self._sock = None
        return self.sent.pop()


def packets(messages: Sequence[RawMessage], *, is_v5: bool = True) -> Packets:
    """Give messages as they come over the wire; all of them are received when the first was."""
    writer = Writer(is_v5=is_v5)
    wire = b"".join(writer.write(message, mid) for mid, message in enumerate(messages, start=1))
    return Packets(wire, len(messages), messages[0].received_us, is_v5)
