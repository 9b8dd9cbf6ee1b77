"""The broker as it is shipped, with other ports and folders; and clients that say what they were told."""

import getpass
import re
import shutil
import socket
import ssl
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from airwatch.landing.broker_url import BrokerUrl
from tests.broker import Mosquitto, wait_until

SHIPPED = Path(__file__).parents[2] / "deploy" / "mosquitto"
HOST = "127.0.0.1"
VERSIONS = ["5", "3.1.1"]
NOT_AUTHORIZED = 0x87  # MQTT 5.0, 3.4.2.1
_SESSION_EXPIRY_S = 3600


def script(name: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a shipped script."""
    command = [str(SHIPPED / name), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def done(ran: subprocess.CompletedProcess[str]) -> str:
    """Give what a script that did its work wrote."""
    assert ran.returncode == 0, ran.stderr
    return ran.stdout.strip()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


@dataclass
class Installed:
    """What stands in /etc/mosquitto/airwatch, made by the shipped scripts; ``passwords`` by user."""

    folder: Path
    passwords: dict[str, str] = field(default_factory=dict)

    @classmethod
    def make(cls, folder: Path, *, with_certificate: list[str], with_password: list[str]) -> Self:
        """Do what deploy/README.md says."""
        made = cls(folder)
        done(script("make_certs.sh", "ca", folder))
        done(script("make_certs.sh", "server", folder, "localhost", HOST))
        for unit in with_certificate:
            done(script("add_unit.sh", "cert", folder, unit))
        for name in ("units.passwd", "staff.passwd"):
            (folder / name).touch(mode=0o600)
        for unit in with_password:
            made.add_password(unit)
        for name in ("landing", "operator"):
            made.passwords[name] = done(script("add_unit.sh", "staff", folder / "staff.passwd", name))
        for name in ("units.acl", "staff.acl"):
            shutil.copy(SHIPPED / name, folder)
        return made

    def add_password(self, unit: str) -> None:
        """Let one more unit in."""
        self.passwords[unit] = done(script("add_unit.sh", "password", self.folder / "units.passwd", unit))

    def copy(self, folder: Path) -> "Installed":
        """Give a copy that a test may change."""
        shutil.copytree(self.folder, folder)
        return Installed(folder, dict(self.passwords))

    @property
    def ca(self) -> Path:
        """The authority that every client trusts."""
        return self.folder / "ca.crt"

    def certificate(self, unit: str) -> tuple[Path, Path]:
        """Give a unit's certificate and key."""
        stem = self.folder / "units" / unit.replace("/", "+")
        return stem.with_name(f"{stem.name}.crt"), stem.with_name(f"{stem.name}.key")


@dataclass
class Got:
    """A message as a client received it."""

    topic: str
    payload: bytes
    mid: int


class Peer:
    """A client. What it publishes and subscribes to is answered by the broker before the call returns."""

    def __init__(
        self, client_id: str = "", *, version: str = "5", is_persistent: bool = False, is_acknowledging: bool = True
    ) -> None:
        protocol = paho.MQTTv5 if version == "5" else paho.MQTTv311
        clean = None if version == "5" else not is_persistent
        self.client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id, clean, protocol=protocol, manual_ack=not is_acknowledging
        )
        self.client.max_inflight_messages_set(500)
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_publish = self._on_publish
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message
        self.got: list[Got] = []
        self.answer: ReasonCode | None = None
        self.is_resumed = False
        self.n_disconnects = 0
        self._is_persistent = is_persistent
        self._published: dict[int, int] = {}
        self._subscribed: dict[int, list[int]] = {}

    def connect(self, port: int) -> Self:
        """Connect; ``answer`` is what the broker says."""
        options = None
        if self.client.protocol == paho.MQTTv5:
            options = Properties(PacketTypes.CONNECT)
            options.SessionExpiryInterval = _SESSION_EXPIRY_S if self._is_persistent else 0
            self.client.connect(HOST, port, 60, clean_start=not self._is_persistent, properties=options)
        else:
            self.client.connect(HOST, port, 60)
        self.client.loop_start()
        wait_until(lambda: self.answer is not None, "the broker does not answer CONNECT")
        return self

    def close(self) -> None:
        """Say goodbye; a kept session stays."""
        self.client.disconnect()
        self.client.loop_stop()

    def close_with_will(self) -> None:
        """Go as one who lost the network; MQTT 5 can ask for that."""
        self.client.disconnect(ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
        self.client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def publish(self, topic: str, payload: bytes = b"", *, retain: bool = False) -> int:
        """Publish with QoS 1 and give the reason code of the acknowledgement (3.1.1 has none: 0)."""
        mid = self.client.publish(topic, payload, qos=1, retain=retain).mid
        wait_until(lambda: mid in self._published, f"no acknowledgement of {topic}")
        return self._published.pop(mid)

    def publish_all(self, topic: str, payloads: list[bytes]) -> None:
        """Publish with QoS 1 and wait for every acknowledgement."""
        sent = [self.client.publish(topic, payload, qos=1) for payload in payloads]
        wait_until(lambda: all(one.is_published() for one in sent), "the broker does not acknowledge")

    def subscribe(self, topic_filter: str) -> int:
        """Subscribe with QoS 1 and give what the broker granted."""
        mid = self.client.subscribe(topic_filter, qos=1)[1]
        assert mid is not None
        wait_until(lambda: mid in self._subscribed, f"no answer to the subscription of {topic_filter}")
        return self._subscribed.pop(mid)[0]

    def fence(self) -> None:
        """Return when everything that the broker had sent to this client is in ``got``."""
        self.subscribe("fence")

    def payloads(self) -> list[bytes]:
        """Give what was received, in order."""
        return [one.payload for one in self.got]

    def acknowledge_all(self) -> None:
        """Acknowledge what was received so far."""
        for one in self.got:
            self.client.ack(one.mid, 1)

    def _on_connect(self, _client: Any, _data: Any, flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self.is_resumed = flags.session_present
        self.answer = reason
        if reason.is_failure:
            self.client.disconnect()  # or it would try again for ever

    def _on_disconnect(self, *_: Any) -> None:
        self.n_disconnects += 1

    def _on_publish(self, _client: Any, _data: Any, mid: int, reason: ReasonCode, _properties: Any) -> None:
        self._published[mid] = reason.value

    def _on_subscribe(self, _client: Any, _data: Any, mid: int, reasons: list[ReasonCode], _properties: Any) -> None:
        self._subscribed[mid] = [reason.value for reason in reasons]

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self.got.append(Got(message.topic, message.payload, message.mid))


class FleetBroker(Mosquitto):
    """Mosquitto with the shipped configuration below Debian's own main file."""

    def __init__(self, program: str, folder: Path, installed: Installed) -> None:
        super().__init__(program, folder)
        self.installed = installed
        self.certificate_port = free_port()
        self.password_port = free_port()
        self._folder = folder

    def start(self, **settings: str) -> None:
        """Start it; ``settings`` stand in the place of shipped values."""
        text = (SHIPPED / "mosquitto.conf").read_text()
        text = text.replace("/etc/mosquitto/airwatch/", f"{self.installed.folder}/")
        ports = {
            "listener 8883": self.certificate_port,
            "listener 8884": self.password_port,
            "listener 1883 127.0.0.1": self.port,
        }
        for line, port in ports.items():
            text, n = re.subn(f"(?m)^{re.escape(line)}$", f"listener {port} {HOST}", text)
            assert n == 1, f"the shipped configuration no longer has one line {line!r}"
        for name, value in settings.items():
            text, n = re.subn(f"(?m)^{name} .*$", f"{name} {value}", text)
            assert n == 1, f"the shipped configuration no longer has one line {name!r}"
        included = self._folder / "conf.d"
        included.mkdir(exist_ok=True)
        (included / "airwatch.conf").write_text(text)
        self._config.write_text(
            f"user {getpass.getuser()}\n"  # the rest is what stands in Debian's /etc/mosquitto/mosquitto.conf
            f"pid_file {self._folder}/mosquitto.pid\npersistence true\npersistence_location {self._folder}/\n"
            f"log_dest file {self._folder}/mosquitto.log\ninclude_dir {included}\n"
        )
        with (self._folder / "stderr.txt").open("ab") as error:
            command = [self._program, "-c", str(self._config)]
            self._process = subprocess.Popen(command, stderr=error, start_new_session=True)
        wait_until(self._answers, f"mosquitto does not answer, see {self._folder}/mosquitto.log")

    def log(self) -> str:
        """Give what it has logged."""
        return (self._folder / "mosquitto.log").read_text()

    def address_of(self, user: str) -> BrokerUrl:
        """Give the loopback listener, as a member of staff."""
        return BrokerUrl(HOST, self.port, is_tls=False, username=user, password=self.installed.passwords[user])

    def staff(self, user: str, client_id: str = "", **options: Any) -> Peer:
        """Connect to the loopback listener."""
        peer = Peer(client_id, **options)
        peer.client.username_pw_set(user, self.installed.passwords[user])
        return peer.connect(self.port)

    def unit(self, unit: str, client_id: str = "", **options: Any) -> Peer:
        """Connect a unit with its certificate if it has one, else with its password."""
        peer = Peer(client_id, **options)
        certificate, key = self.installed.certificate(unit)
        if certificate.exists():
            peer.client.tls_set(str(self.installed.ca), str(certificate), str(key))
            return peer.connect(self.certificate_port)
        peer.client.tls_set(str(self.installed.ca))
        peer.client.username_pw_set(unit, self.installed.passwords[unit])
        return peer.connect(self.password_port)


def tls_answer(
    port: int, authority: Path, certificate: tuple[Path, Path] | None = None, *, name: str = "localhost"
) -> bytes:
    """Connect by TLS, send a CONNECT without a user, and give the broker's answer; none if it ends the connection."""
    context = ssl.create_default_context(cafile=str(authority))
    if certificate:
        context.load_cert_chain(*certificate)
    connect = b"\x10\x0f\x00\x04MQTT\x04\x02\x00\x0a\x00\x03ask"  # MQTT 3.1.1, clean, client id "ask"
    with (
        socket.create_connection((HOST, port), timeout=30) as plain,
        context.wrap_socket(plain, server_hostname=name) as secure,
    ):
        try:
            secure.sendall(connect)
            return secure.recv(4)
        except (ssl.SSLError, ConnectionError):
            return b""
