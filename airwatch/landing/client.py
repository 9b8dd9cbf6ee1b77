"""The one place where an MQTT client is made."""

from typing import TypeVar

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.errors import BrokerError
from airwatch.landing.broker_url import BrokerUrl

Client = TypeVar("Client", bound=paho.Client)

VERSIONS = {"5": paho.MQTTv5, "3.1.1": paho.MQTTv311}
_KEEP_ALIVE_S = 60
_SESSION_EXPIRY_S = 7 * 24 * 3600  # what the broker keeps for a client that is away: a long weekend with room


def make_client(
    kind: type[Client], broker: BrokerUrl, client_id: str, *, version: str, is_persistent: bool, manual_ack: bool
) -> Client:
    """Make a client; a persistent one keeps its session at the broker while it is away.

    ``kind`` is `paho.Client`, or `airwatch.landing.network.BufferedClient` for one that `NetworkLoop` runs.
    """
    clean = None if version == "5" else not is_persistent
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=clean,
        protocol=VERSIONS[version],
        manual_ack=manual_ack,
    )
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if broker.is_tls:
        try:
            ca, cert, key = (str(path) if path else None for path in (broker.ca, broker.cert, broker.key))
            client.tls_set(ca, cert, key)
        except OSError as err:  # SSLError is one
            raise BrokerError(
                f"the certificates for {broker} can't be used: {err}; check --ca, --cert and --key"
            ) from err
    client.reconnect_delay_set(1, 30)
    return client


def connect(client: paho.Client, broker: BrokerUrl, *, is_persistent: bool, receive_maximum: int | None = None) -> None:
    """Open the connection; the client's loop keeps it up from then on.

    Raises
    ------
    BrokerError
        Nothing answers at that address.
    """
    options = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    if client.protocol == paho.MQTTv5:
        options.SessionExpiryInterval = _SESSION_EXPIRY_S if is_persistent else 0
        if receive_maximum is not None:
            options.ReceiveMaximum = receive_maximum
    try:
        if client.protocol == paho.MQTTv5:
            client.connect(broker.host, broker.port, _KEEP_ALIVE_S, clean_start=not is_persistent, properties=options)
        else:
            client.connect(broker.host, broker.port, _KEEP_ALIVE_S)
    except OSError as err:
        raise BrokerError(f"no broker answers at {broker}: {err}; start it, or check --broker") from err
