"""How long the fleet page takes while nothing happens, and while a recorded fleet lands and is measured beside it.

One run of `airwatch serve` against a Mosquitto of its own; the demo recording is published as fast as it is taken.
"""

import json
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

import click

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.broker import Mosquitto, find_mosquitto, wait_until  # noqa: E402 after the path is set

AIRWATCH = str(Path(sys.executable).with_name("airwatch"))
RECORDING, UNITS = ROOT / "replay_data" / "demo_fleet.ndjson.zst", ROOT / "replay_data" / "units.csv"


def ask(port: int, path: str) -> bytes | None:
    """Ask for a page; None while nobody answers."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as answer:
            return bytes(answer.read())
    except OSError:
        return None


def timed(port: int, until: threading.Event, *, at_least: int) -> list[float]:
    """Load the fleet page again and again; give the seconds that each took."""
    times: list[float] = []
    while not until.is_set() or len(times) < at_least:
        began = time.perf_counter()
        ask(port, "/")
        times.append(time.perf_counter() - began)
        until.wait(0.1)
    return times


def show(what: str, times: list[float]) -> float:
    """Print the median and the 95th percentile, and give the latter."""
    p95 = statistics.quantiles(times, n=20)[-1]
    print(f"{what:>28}: {len(times):4} loads, median {statistics.median(times) * 1e3:6.0f} ms, p95 {p95 * 1e3:6.0f} ms")
    return p95


@click.command()
def main() -> None:
    """Run it and print the figures."""
    program = find_mosquitto()
    if program is None:
        sys.exit("page_latency: Debian's mosquitto is not installed: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="page-latency-") as name, socket.socket() as probe:
        folder = Path(name)
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
        probe.close()
        broker = Mosquitto(program, folder)
        broker.start(autosave_interval="1800")
        options = ["--broker", broker.url, "--db", folder / "s.duckdb", "--units", UNITS, "--port", port, "--every", 2]
        serving = subprocess.Popen([AIRWATCH, "serve", *map(str, options)], stderr=subprocess.DEVNULL)
        try:
            measure(port, broker.url)
        finally:
            serving.terminate()
            serving.wait(60)
            broker.close()


def measure(port: int, url: str) -> None:
    """Land and derive the recording while pages are loaded, then load them with nothing beside."""
    wait_until(lambda: ask(port, "/api/v1/landing") is not None, "the pages do not come up")
    done = threading.Event()

    def work() -> None:
        publish = [AIRWATCH, "replay", str(RECORDING), "--broker", url, "--speed", "0"]
        subprocess.run(publish, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_until(lambda: len(alerts(port)) >= 7, "the alerts of the demo fleet do not appear", deadline_s=300)
        done.set()

    worker = threading.Thread(target=work)
    worker.start()
    busy = show("while landing and measuring", timed(port, done, at_least=20))
    worker.join()
    still = threading.Event()
    still.set()
    quiet = show("afterwards, nothing beside", timed(port, still, at_least=60))
    print(f"p95 busy / quiet: {busy / quiet:.1f}")


def alerts(port: int) -> list[Any]:
    """Give the open alerts."""
    text = ask(port, "/api/v1/alerts")
    return list(json.loads(text)["alerts"]) if text else []


if __name__ == "__main__":
    main()
