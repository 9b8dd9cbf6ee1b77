"""How fast messages land, next to a client that only counts them; run it with ``make bench``.

Absolute rates are those of the machine. The figure to keep is the ratio: both clients take the same messages from the
same broker in the same run, with QoS 1, MQTT 5 and the same receive maximum. Publisher, broker and each client are
processes of their own.
"""

import argparse
import json
import math
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from airwatch.contract.recordings import recording_line  # noqa: E402 after the path is set
from airwatch.contract.topics import subscription  # noqa: E402
from airwatch.landing.broker_url import BrokerUrl  # noqa: E402
from airwatch.landing.client import connect, make_client  # noqa: E402
from airwatch.landing.subscriber import GroupCommit, Subscriber  # noqa: E402
from airwatch.store.database import Store  # noqa: E402
from airwatch.store.telemetry import Landed, TelemetryWriter  # noqa: E402
from pipelines.derive import derive_new  # noqa: E402
from pipelines.replay import replay  # noqa: E402
from tests.conftest import Mosquitto  # noqa: E402
from tests.messages import at, message, pressure  # noqa: E402

SAMPLES_A_MESSAGE = 60
N_COLUMNS = 9
RECEIVE_MAXIMUM = GroupCommit().messages
N_UNITS = 200


def main() -> None:
    """Run everything and print the figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--messages", type=int, default=30_000)
    options.add_argument("--rounds", type=int, default=3, help="the ratio is the median of so many")
    options.add_argument("--keep", type=Path, help="leave the last store here")
    options.add_argument("--role", choices=ROLES, help=argparse.SUPPRESS)
    options.add_argument("rest", nargs="*", help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.role:
        print(json.dumps(ROLES[chosen.role](*chosen.rest)))
        return
    with tempfile.TemporaryDirectory(prefix="landing-rate-") as name:
        measure(Path(name), chosen.messages, chosen.rounds, chosen.keep)


def measure(folder: Path, n: int, rounds: int, keep: Path | None) -> None:
    """Publish, count and land ``n`` messages ``rounds`` times; then derive what landed last."""
    recording = folder / "drives.ndjson"
    with recording.open("wb") as lines:
        lines.writelines(recorded(n))
    print(
        f"{n} messages of {SAMPLES_A_MESSAGE} samples x {N_COLUMNS} columns,"
        f" {recording.stat().st_size / n:.0f} bytes each"
    )
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
    if program is None:
        sys.exit("landing_rate: Debian's mosquitto is not installed: apt-get install mosquitto")
    ratios = []
    db = folder / "landed.duckdb"
    for k in range(rounds):
        (folder / f"broker-{k}").mkdir()
        broker = Mosquitto(program, folder / f"broker-{k}")
        broker.start(autosave_interval="1800")
        try:
            for role in ("count", "land"):
                child("subscribe", role, broker.port)
            child("publish", recording, broker.port)
            for file in folder.glob("landed.duckdb*"):
                file.unlink()
            counted = child("count", broker.port, n)
            landed = child("land", broker.port, n, db)
        finally:
            broker.close()
        show("count only", n, counted)
        show("land", n, landed)
        ratios.append(counted["seconds"] / landed["seconds"])
        print(f"  landing / counting: {ratios[-1]:.2f}; peak memory of landing {landed['peak_mb']:.0f} MB")
    derived = child("derive", db)
    rate = derived["samples"] / derived["seconds"]
    print(
        f"derive: {derived['samples']} samples, {derived['readings']} readings in {derived['seconds']:.1f} s,"
        f" {rate:,.0f} samples/s,",
        end="",
    )
    print(f" peak memory {derived['peak_mb']:.0f} MB; store {db.stat().st_size / 1e6:.1f} MB")
    print(f"landing / counting, median of {rounds}: {statistics.median(ratios):.2f}")
    if keep:
        shutil.copy(db, keep)


def show(what: str, n: int, measured: dict[str, float]) -> None:
    """Print a rate."""
    rate = n / measured["seconds"]
    print(
        f"{what:>10}: {measured['seconds']:6.2f} s, {rate:8,.0f} messages/s,"
        f" {rate * SAMPLES_A_MESSAGE:10,.0f} samples/s"
    )


def child(role: str, *arguments: object) -> Any:
    """Run one role in a process of its own and give what it measured."""
    command = [sys.executable, __file__, "--role", role, *map(str, arguments)]
    return json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)


def recorded(n: int) -> Iterator[bytes]:
    """Give lines of a recording: drives with governor cycles, brake uses and a parked end, units by turns."""
    for k in range(n):
        block, unit = divmod(k, N_UNITS)
        seconds = range(block * SAMPLES_A_MESSAGE, (block + 1) * SAMPLES_A_MESSAGE)
        drives = [s % 7200 < 6000 for s in seconds]
        cycle = [(s + 37 * unit) % 180 for s in seconds]
        kpa = [8 * round((730 + (170 * c / 60 if c < 60 else 170 * (180 - c) / 120)) / 8) for c in cycle]
        brakes = [d and (s + unit) % 45 < 4 for s, d in zip(seconds, drives, strict=True)]
        body = pressure(
            unit=f"K-{unit:03}",
            seq=block,
            t0=at(seconds[0]),
            supply_kpa=kpa,
            primary_kpa=[p - 8 * b for p, b in zip(kpa, brakes, strict=True)],
            secondary_kpa=[p - 8 for p in kpa],
            application_kpa=[210 * b for b in brakes],
            engine_rpm=[
                round(1200 + 300 * math.sin(s / 17), 3) if d else 0 for s, d in zip(seconds, drives, strict=True)
            ],
            speed_kph=[round(60 + 20 * math.sin(s / 40), 2) if d else 0 for s, d in zip(seconds, drives, strict=True)],
            ambient_c=[4] * len(kpa),
            park_brake=[int(not d) for d in drives],
            service_brake=[int(b) for b in brakes],
        )
        yield recording_line(message(body)) + b"\n"


# roles, each a process -----------------------------------------------------------------------------------------------


def address(port: str) -> BrokerUrl:
    """Give the broker's address."""
    return BrokerUrl("127.0.0.1", int(port), is_tls=False)


def subscribe(client_id: str, port: str) -> None:
    """Leave a session at the broker that keeps what is published."""
    client, subscribed = counting_client(client_id), threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    connect(client, address(port), is_persistent=True)
    client.loop_start()
    if not subscribed.wait(60):
        sys.exit("landing_rate: the broker does not answer")
    client.disconnect()
    client.loop_stop()


def counting_client(client_id: str) -> paho.Client:
    """Make a client that subscribes as the subscriber does."""
    client = make_client(address("0"), client_id, version="5", is_persistent=True, manual_ack=False)
    client.on_connect = lambda *_: client.subscribe(subscription(), qos=1)
    return client


def publish(recording: str, port: str) -> None:
    """Publish the recording; the broker queues it for both sessions."""
    replay([Path(recording)], address(port), speed=0)


def count(port: str, n: str) -> dict[str, float]:
    """Take every message and do nothing with it; paho acknowledges each as it comes."""
    times: list[float] = []
    done = threading.Event()
    client = counting_client("count")
    state = {"n": 0}

    def on_message(*_: Any) -> None:
        if state["n"] == 0:
            times.append(time.perf_counter())
        state["n"] += 1
        if state["n"] == int(n):
            times.append(time.perf_counter())
            done.set()

    client.on_message = on_message
    connect(client, address(port), is_persistent=True, receive_maximum=RECEIVE_MAXIMUM)
    client.loop_start()
    if not done.wait(600):
        sys.exit(f"landing_rate: only {state['n']} of {n} messages came")
    client.disconnect()
    client.loop_stop()
    return {"seconds": times[1] - times[0]}


def land(port: str, n: str, db: str) -> dict[str, float]:
    """Land every message; the time ends with the last commit."""
    done = threading.Event()
    times: list[float] = []
    landed = {"messages": 0, "samples": 0}

    class Timed(Subscriber):
        """Notes when the first message comes."""

        def _on_message(self, *arguments: Any) -> None:
            if not times:
                times.append(time.perf_counter())
            Subscriber._on_message(self, *arguments)

    def on_commit(commit: Landed) -> None:
        landed["messages"] += commit.n_messages
        landed["samples"] += commit.n_samples
        if landed["messages"] >= int(n):
            times.append(time.perf_counter())
            done.set()

    with Store.open(Path(db)) as store:
        subscriber = Timed(address(port), TelemetryWriter(store).write, client_id="land", on_commit=on_commit)
        subscriber.start()
        if not done.wait(600):
            sys.exit(f"landing_rate: only {landed['messages']} of {n} messages were committed")
        subscriber.stop()
    if landed["samples"] != int(n) * SAMPLES_A_MESSAGE:
        sys.exit(f"landing_rate: {landed['samples']} samples landed, not {int(n) * SAMPLES_A_MESSAGE}")
    return {"seconds": times[1] - times[0], "peak_mb": peak_mb()}


def derive(db: str) -> dict[str, float]:
    """Derive all that landed."""
    with Store.open(Path(db)) as store:
        began = time.perf_counter()
        done = derive_new(store)
        seconds = time.perf_counter() - began
    return {"seconds": seconds, "samples": done.n_samples, "readings": done.n_readings, "peak_mb": peak_mb()}


def peak_mb() -> float:
    """Give the most memory that this process has had, in megabytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


ROLES = {"subscribe": subscribe, "publish": publish, "count": count, "land": land, "derive": derive}

if __name__ == "__main__":
    main()
