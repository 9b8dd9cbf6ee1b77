"""What tests share: a real Mosquitto that a test may kill and start again, and waiting on a condition."""

import getpass
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.cli.main import run
from airwatch.landing.broker_url import BrokerUrl

_DEADLINE_S = 60.0


def missing(what: str) -> None:
    """Skip the test because a component is not there; where everything has to be there (``CI=true``), fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{what}, and CI=true lets nothing be skipped")
    pytest.skip(what)


def wait_until(condition: Callable[[], object], what: str, *, deadline_s: float = _DEADLINE_S) -> None:
    """Wait for a condition; fail with ``what`` if it does not come true in time."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            pytest.fail(f"waited {deadline_s:g} s in vain: {what}")
        time.sleep(0.01)


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
        self._process = subprocess.Popen([self._program, "-c", str(self._config)], start_new_session=True)
        wait_until(self._answers, f"mosquitto on port {self.port} does not answer, see {self._folder}/mosquitto.log")

    def stop(self) -> None:
        """End it as a service manager does; it saves its sessions."""
        self.process.terminate()
        self.process.wait(_DEADLINE_S)
        self._process = None

    def kill(self) -> None:
        """SIGKILL: what is not in its file is gone."""
        self.process.kill()
        self.process.wait(_DEADLINE_S)
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


class Airwatch:
    """The `airwatch` command of this interpreter's environment."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._running: list[subprocess.Popen[str]] = []

    def start(self, *arguments: object) -> subprocess.Popen[str]:
        """Start a command."""
        process = subprocess.Popen(
            self._arguments(arguments), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=self._folder
        )
        self._running.append(process)
        return process

    def run(self, *arguments: object) -> subprocess.CompletedProcess[bytes]:
        """Run a command to its end."""
        return subprocess.run(
            self._arguments(arguments), capture_output=True, cwd=self._folder, timeout=_DEADLINE_S, check=False
        )

    def close(self) -> None:
        """End what still runs."""
        for process in self._running:
            if process.poll() is None:
                process.kill()
            process.communicate(timeout=_DEADLINE_S)

    @staticmethod
    def _arguments(arguments: tuple[object, ...]) -> list[str]:
        return [str(Path(sys.executable).with_name("airwatch")), *map(str, arguments)]


@dataclass(frozen=True)
class Done:
    """What a command that was run to its end said."""

    status: int
    out: bytes
    error: str


Command = Callable[..., Done]


@pytest.fixture
def command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> Callable[..., Done]:
    """Run the `airwatch` command in this process, in the test's folder: quicker than `Airwatch`, and the same code."""
    monkeypatch.chdir(tmp_path)

    def run_here(*arguments: object) -> Done:
        monkeypatch.setattr(sys, "argv", ["airwatch", *map(str, arguments)])
        capfdbinary.readouterr()
        try:
            run()
            status = 0
        except SystemExit as err:
            status = int(err.code or 0)
        sys.stdout.flush()
        out, error = capfdbinary.readouterr()
        return Done(status, out, error.decode())

    return run_here


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Run a real Mosquitto while the test lasts."""
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if program is None:
        missing("Debian's mosquitto is not installed: apt-get install mosquitto")
    assert program is not None
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(program, folder)
    broker.start()
    try:
        yield broker
    finally:
        broker.close()


@pytest.fixture
def airwatch(tmp_path: Path) -> Iterator[Airwatch]:
    """Run the command line in processes of its own; none outlives the test."""
    runner = Airwatch(tmp_path)
    try:
        yield runner
    finally:
        runner.close()


def publish(broker: Mosquitto, messages: list[tuple[str, bytes, str | None]], *, version: str = "5") -> None:
    """Publish with QoS 1 and wait for every acknowledgement."""
    protocol = paho.MQTTv5 if version == "5" else paho.MQTTv311
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=protocol)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        sent = []
        for topic, payload, content_type in messages:
            properties = None
            if content_type is not None:
                properties = Properties(PacketTypes.PUBLISH)
                properties.ContentType = content_type
            sent.append(client.publish(topic, payload, qos=1, properties=properties))
        wait_until(lambda: all(one.is_published() for one in sent), "the broker does not acknowledge")
    finally:
        client.disconnect()
        client.loop_stop()
