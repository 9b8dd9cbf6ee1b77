"""How long pages take for fifty people, while a thousand messages a second land, over a big fleet.

A store with many units, a year of readings, and one unit with a month of samples at 1 Hz is made first. Then
`airwatch serve` runs over it against a Mosquitto of its own. Each user listens for changes, asks for a page, thinks,
and asks for the next one. Printed is what the server says it took (its header Server-Timing: waiting included) and what
the user waited, which also holds what the user's own process does on the same machine; and the load, since on a machine
that does other things all of it takes longer. At last a browser opens the fleet page and a unit's: when they show their
first picture, and how much they fetch.
"""

import asyncio
import json
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from datetime import datetime, timedelta
from multiprocessing import Event, Process
from multiprocessing.synchronize import Event as EventType
from pathlib import Path

import click
import httpx
import paho.mqtt.client as paho

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from airwatch.store.database import Store  # noqa: E402 after the path is set
from tests.benchmarks.big_fleet import LONG, fill, names  # noqa: E402
from tests.broker import Mosquitto, find_mosquitto, wait_until  # noqa: E402

AIRWATCH = str(Path(sys.executable).with_name("airwatch"))
NEWEST = datetime.now().replace(microsecond=0) - timedelta(days=1)  # noqa: DTZ005 as in the store
UNIT = f"/units/{LONG[0]}/{LONG[1]}"
MONTH = f"start={NEWEST - timedelta(days=30):%Y-%m-%dT%H:%M:%SZ}&end={NEWEST:%Y-%m-%dT%H:%M:%SZ}&points=2600&units=psi"
PAGES = {
    "fleet": lambda: random.choice(
        ["/", "/?page=2", "/?need=alert", "/?q=harbor+leak", "/?order=heard", "/?data=silent"]
    ),
    "unit page": lambda: UNIT,
    "unit, 30 days at 1 Hz": lambda: f"/api/v1{UNIT}/pressure/figure?{MONTH}",
    "unit, 2 hours of them": lambda: f"/api/v1{UNIT}/pressure/figure?{_two_hours()}&points=2600",
    "inspection": lambda: "/inspection",
    "check over the fleet": lambda: "/checks/leak_static",
    "units by API": lambda: "/api/v1/units?size=100",
}
WEIGHTS = [6, 3, 4, 2, 1, 1, 1]


def _two_hours() -> str:
    start = NEWEST - timedelta(hours=random.randrange(3, 700))
    return f"start={start:%Y-%m-%dT%H:%M:%SZ}&end={start + timedelta(hours=2):%Y-%m-%dT%H:%M:%SZ}"


def publish(port: int, rate: float, n_units: int, ending: EventType) -> None:
    """Publish blocks of ten samples at an even rate, each unit after the other."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    units, begin, sent = names(n_units).rows(), time.time(), 0
    while not ending.is_set():
        due = int((time.time() - begin) * rate)
        for k in range(sent, due):
            fleet, unit = units[k % n_units]
            now = datetime.utcfromtimestamp(time.time() - 10)  # noqa: DTZ004 as it goes on the wire
            body = {
                "v": 1,
                "unit": unit,
                "seq": k // n_units,
                "t0": f"{now:%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z",
                "dt_ms": 1000,
            }
            body |= {"primary_kpa": [800] * 10, "secondary_kpa": [792] * 10, "engine_rpm": [650] * 10}
            client.publish(f"air/v1/{fleet}/{unit}/pressure", json.dumps(body), qos=1)
        sent = due
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


async def user(
    client: httpx.AsyncClient,
    until: float,
    think_s: float,
    took: dict[str, list[tuple[float, float]]],
    failed: list[str],
) -> None:
    """Ask, think, and ask again until the end."""
    await asyncio.sleep(random.random() * think_s)
    while time.monotonic() < until:
        (name,) = random.choices(list(PAGES), WEIGHTS)
        path = PAGES[name]()
        began = time.perf_counter()
        answer = await client.get(path)
        waited = time.perf_counter() - began
        if answer.status_code != 200:
            failed.append(f"{path}: {answer.status_code}")
        took[name].append((float(answer.headers["server-timing"].rpartition("=")[2]) / 1e3, waited))
        await asyncio.sleep(random.expovariate(1 / think_s))


async def listen(client: httpx.AsyncClient, heard: list[str]) -> None:
    """Listen for changes, as an open page does."""
    async with client.stream("GET", "/live", timeout=None) as stream:
        async for line in stream.aiter_lines():
            if line == "event: changed":
                heard += [line]


async def measure(port: int, users: int, think_s: float, seconds: float) -> None:
    """Let users ask, and print what it took."""
    took: dict[str, list[tuple[float, float]]] = defaultdict(list)
    failed: list[str] = []
    heard: list[str] = []
    limits = httpx.Limits(max_connections=None)
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=60, limits=limits) as client:
        for name, path in PAGES.items():  # once each, as whoever comes first
            began = time.perf_counter()
            await client.get(path())
            print(f"{name:>24}: first {(time.perf_counter() - began) * 1e3:6.0f} ms")
        listeners = [asyncio.create_task(listen(client, heard)) for _ in range(users)]
        counts = (await client.get("/api/v1/landing")).json()["messages"], time.monotonic()
        until = time.monotonic() + seconds
        await asyncio.gather(*(user(client, until, think_s, took, failed) for _ in range(users)))
        after = (await client.get("/api/v1/landing")).json()["messages"], time.monotonic()
        for listener in listeners:
            listener.cancel()
        await asyncio.gather(*listeners, return_exceptions=True)
    n = sum(map(len, took.values()))
    print(f"{n} pages for {users} users in {seconds:g} s, {len(failed)} failed {failed[:3]}; {len(heard)} events told")
    for name, times in sorted(took.items()):
        server, waited = ([t[k] for t in times] for k in (0, 1))
        print(f"{name:>24}: {len(times):5} asked; at the server {_p(server)}; waited {_p(waited)}")
    print(f"landed {(after[0] - counts[0]) / (after[1] - counts[1]):.0f} messages/s; load {os.getloadavg()[0]:.1f}")


def _p(times: list[float]) -> str:
    if len(times) < 2:
        return "too few"
    p95 = statistics.quantiles(times, n=20)[-1]
    return f"p50 {statistics.median(times) * 1e3:5.0f} ms, p95 {p95 * 1e3:5.0f} ms"


def first_picture(port: int) -> None:
    """Open the fleet page in Chromium and print when it shows something, and what it fetches."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 only here

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        for path in ("/", UNIT):
            page = browser.new_page()
            said: list[str] = []
            page.on(
                "console", lambda message, said=said: said.append(message.text) if message.type == "error" else None
            )
            page.goto(f"http://127.0.0.1:{port}{path}", wait_until="load")
            page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length > 0")
            paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            kilobytes = page.evaluate(
                "performance.getEntriesByType('resource').filter(r => /[.](js|css)$/.test(r.name))"
                ".reduce((sum, r) => sum + r.encodedBodySize, 0) / 1e3"
            )
            print(
                f"{path:>24}: first picture {paint:.0f} ms, scripts and styles {kilobytes:.0f} kB, {len(said)} errors"
            )
            page.close()
        browser.close()


@click.command()
@click.option("--units", default=10_000, show_default=True)
@click.option("--days", default=365, show_default=True, help="Days of readings.")
@click.option("--every-days", default=7, show_default=True, help="Days from one reading of a kind to the next.")
@click.option("--sample-days", default=30, show_default=True, help="Days at 1 Hz of one unit.")
@click.option("--users", default=50, show_default=True)
@click.option("--think", default=5.0, show_default=True, help="Seconds, in the mean, between pages of a user.")
@click.option("--seconds", default=60.0, show_default=True)
@click.option("--rate", default=1000.0, show_default=True, help="Messages a second.")
@click.option("--awake", default=1000, show_default=True, help="Units that send.")
@click.option("--every", default=30.0, show_default=True, help="Seconds from one derivation to the next.")
@click.option("--db", type=click.Path(path_type=Path), help="Keep the store here, or use the one that is there.")
def main(
    units: int, days: int, every_days: int, sample_days: int, users: int, think: float, seconds: float, rate: float,
    awake: int, every: float, db: Path | None,
) -> None:  # fmt: skip
    """Run it and print the figures."""
    program = find_mosquitto()
    if program is None:
        sys.exit("page_latency: Debian's mosquitto is not installed: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="page-latency-") as name, socket.socket() as probe:
        folder = Path(name)
        path = db or folder / "big.duckdb"
        if not path.exists():
            began = time.perf_counter()
            with Store.open(path, memory_limit="2GB") as store:
                fill(store, n_units=units, days=days, every_days=every_days, sample_days=sample_days, newest=NEWEST)
            print(f"store made in {time.perf_counter() - began:.0f} s, {path.stat().st_size / 1e6:.0f} MB")
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
        probe.close()
        broker = Mosquitto(program, folder)
        broker.start(autosave_interval="1800")
        options = ["--broker", broker.url, "--db", path, "--port", port, "--every", every]
        serving = subprocess.Popen([AIRWATCH, "serve", *map(str, options)])
        ending = Event()
        publisher = Process(target=publish, args=(broker.port, rate, min(awake, units), ending), daemon=True)
        try:
            wait_until(lambda: _answers(port), "the pages do not come up", deadline_s=300)
            publisher.start()
            asyncio.run(measure(port, users, think, seconds))
            first_picture(port)
        finally:
            ending.set()
            publisher.join(30)
            serving.terminate()
            serving.wait(120)
            broker.close()


def _answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/api/v1/limits?size=1", timeout=5).status_code == 200
    except httpx.HTTPError:
        return False


if __name__ == "__main__":
    main()
