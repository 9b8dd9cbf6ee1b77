"""A real Mosquitto that a test may kill and start again, and waiting on a condition."""

import getpass
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import chain
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.landing.broker_url import BrokerUrl

DEADLINE_S = 60.0
PUBACK, SUBACK = 4, 9  # MQTT 3.1.1, table 2.1
Look = Callable[[int, int, bytes], None]


def wait_until(condition: Callable[[], object], what: str, *, deadline_s: float = DEADLINE_S) -> None:
    """Wait for a condition; fail with ``what`` if it does not come true in time."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {deadline_s:g} s in vain: {what}")
        time.sleep(0.01)


def find_mosquitto() -> str | None:
    """Give the path of the program; Debian puts it where only root looks."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


class Mosquitto:
    """A Mosquitto of one test: its own port and folder, kept sessions, no limit on what is queued or in flight."""

    def __init__(self, program: str, folder: Path) -> None:
        self._program = program
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._config = folder / "mosquitto.conf"
        self._settings = {
            "user": getpass.getuser(),  # as root it would otherwise become a user who may not write here
            "listener": f"{self.port} 127.0.0.1",
            "allow_anonymous": "true",
            "persistence": "true",
            "persistence_location": f"{folder}/",
            "autosave_interval": "1",
            "max_inflight_messages": "0",
            "max_queued_messages": "0",
            "log_dest": f"file {folder}/mosquitto.log",
        }

    @property
    def url(self) -> str:
        """Where it listens, as ``--broker`` takes it."""
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def address(self) -> BrokerUrl:
        """Where it listens."""
        return BrokerUrl("127.0.0.1", self.port, is_tls=False)

    @property
    def process(self) -> subprocess.Popen[bytes]:
        """The running broker."""
        assert self._process is not None, "the broker is not running"
        return self._process

    def start(self, **settings: str) -> None:
        """Start it, with settings added or replaced, and wait until it answers CONNECT with CONNACK."""
        self._settings |= settings
        self._config.write_text("".join(f"{name} {value}\n" for name, value in self._settings.items()))
        with (self._folder / "stderr.txt").open("ab") as error:
            command = [self._program, "-c", str(self._config)]
            self._process = subprocess.Popen(command, stderr=error, start_new_session=True)
        wait_until(self._answers, f"mosquitto on port {self.port} does not answer, see {self._folder}/mosquitto.log")

    def stop(self) -> None:
        """End it as a service manager does; it saves its sessions."""
        self.process.terminate()
        self.process.wait(DEADLINE_S)
        self._process = None

    def kill(self) -> None:
        """SIGKILL: what is not in its file is gone."""
        self.process.kill()
        self.process.wait(DEADLINE_S)
        self._process = None

    def pause(self) -> None:
        """Stop it from running, its connections open."""
        self.process.send_signal(signal.SIGSTOP)
        stat = Path(f"/proc/{self.process.pid}/stat")
        wait_until(lambda: stat.read_text().rpartition(")")[2].split()[0] == "T", "the broker does not stop")

    def save(self) -> None:
        """Have it write sessions and queued messages to its file, and wait until they are there."""
        file = self._folder / "mosquitto.db"
        before = file.stat().st_ino if file.exists() else None
        self.process.send_signal(signal.SIGUSR1)
        wait_until(lambda: file.exists() and file.stat().st_ino != before, "the broker does not save its sessions")

    def n_unread(self) -> int:
        """Give how many bytes wait in its connections to be read by it."""
        rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        return sum(
            int(row[4].split(":")[1], 16) for row in rows if row[1] == f"0100007F:{self.port:04X}" and row[3] == "01"
        )

    def close(self) -> None:
        """End it if it runs."""
        if self._process is not None:
            self.kill()

    def _answers(self) -> bool:
        assert self.process.poll() is None, f"mosquitto ended with status {self.process.returncode}"
        connect = b"\x10\x0f\x00\x04MQTT\x04\x02\x00\x0a\x00\x03ask"  # MQTT 3.1.1 CONNECT, clean, client id "ask"
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=5.0) as probe:
                probe.sendall(connect)
                return probe.recv(4)[:2] == b"\x20\x02"  # whatever it answers to somebody without a name
        except (ConnectionError, TimeoutError):
            return False


class Tap:
    """Stands between a client and a broker, and notes which messages the client acknowledges, by connection.

    A connection can be cut, and answers to SUBSCRIBE can be held back.
    """

    def __init__(self, broker: Mosquitto) -> None:
        self._broker = broker
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self.acknowledged: list[list[int]] = []
        """For each connection, in order, the numbers of the packets acknowledged."""
        self.lets_subscribe = threading.Event()
        self.lets_subscribe.set()
        self._threads[0].start()

    @property
    def address(self) -> BrokerUrl:
        """Where it listens."""
        return BrokerUrl("127.0.0.1", self._listener.getsockname()[1], is_tls=False)

    def cut(self) -> None:
        """Cut every connection."""
        for pair in list(self._pairs):  # a client that is quick is back before all are cut
            for end in pair:
                with suppress(OSError):  # it may be cut already
                    end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Cut every connection and take no more."""
        self.lets_subscribe.set()
        self._listener.shutdown(socket.SHUT_RDWR)
        self.cut()
        for thread in self._threads:
            thread.join(DEADLINE_S)
        for end in (self._listener, *chain.from_iterable(self._pairs)):
            end.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:  # closed
                return
            far = socket.create_connection(("127.0.0.1", self._broker.port))
            self._pairs.append((near, far))
            self.acknowledged.append([])
            ways = ((near, far, self._from_client), (far, near, self._from_broker))
            for source, target, look in ways:
                thread = threading.Thread(target=self._pass_on, args=(source, target, look, len(self._pairs) - 1))
                self._threads.append(thread)
                thread.start()

    def _pass_on(self, source: socket.socket, target: socket.socket, look: Look, connection: int) -> None:
        with suppress(OSError), source.makefile("rb") as stream:  # until one of the ends is cut
            while head := stream.read(1):
                length = stream.read(1)
                while length[-1] & 0x80:
                    length += stream.read(1)
                body = stream.read(sum((byte & 0x7F) << 7 * place for place, byte in enumerate(length)))
                look(connection, head[0] >> 4, body)
                target.sendall(head + length + body)
        with suppress(OSError):
            target.shutdown(socket.SHUT_RDWR)

    def _from_client(self, connection: int, kind: int, body: bytes) -> None:
        if kind == PUBACK:
            self.acknowledged[connection].append(int.from_bytes(body[:2], "big"))

    def _from_broker(self, _connection: int, kind: int, _body: bytes) -> None:
        if kind == SUBACK:
            self.lets_subscribe.wait(DEADLINE_S)


def publish(broker: Mosquitto, messages: list[tuple[str, bytes, str | None]], *, version: str = "5") -> None:
    """Publish with QoS 1 and wait for every acknowledgement."""
    protocol = paho.MQTTv5 if version == "5" else paho.MQTTv311
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        sent = []
        for topic, payload, content_type in messages:
            properties = None
            if content_type is not None:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                properties.ContentType = content_type
            sent.append(client.publish(topic, payload, qos=1, properties=properties))
        wait_until(lambda: all(one.is_published() for one in sent), "the broker does not acknowledge")
    finally:
        client.disconnect()
        client.loop_stop()
