"""What tests share: the command line, here or in a process of its own, and a broker."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from airwatch.cli.main import run
from tests.broker import DEADLINE_S, Mosquitto, Tap, find_mosquitto
from tests.webhook import Webhook


def missing(what: str) -> None:
    """Skip the test because a component is not there; where everything has to be there (``CI=true``), fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{what}, and CI=true lets nothing be skipped")
    pytest.skip(what)


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
            self._arguments(arguments), capture_output=True, cwd=self._folder, timeout=DEADLINE_S, check=False
        )

    def close(self) -> None:
        """End what still runs."""
        for process in self._running:
            if process.poll() is None:
                process.kill()
            process.communicate(timeout=DEADLINE_S)

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
    program = find_mosquitto()
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


@pytest.fixture
def tap(mosquitto: Mosquitto) -> Iterator[Tap]:
    """Stand between the broker and a client."""
    between = Tap(mosquitto)
    try:
        yield between
    finally:
        between.close()


@pytest.fixture
def webhook() -> Iterator[Webhook]:
    server = Webhook()
    yield server
    server.close()
