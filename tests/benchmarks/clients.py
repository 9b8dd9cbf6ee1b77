"""Publisher, counting client and landing client of ``landing_rate.py``; each is a process of its own."""

import json
import os
import sys
import threading
import time
from collections.abc import Callable
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import click
import paho.mqtt.client as paho

from airwatch.contract.topics import subscription
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.client import connect, make_client
from airwatch.landing.decoding import ProcessDecoder
from airwatch.landing.subscriber import GroupCommit, Subscriber
from airwatch.store.database import Store
from airwatch.store.telemetry import MEMORY, Landed, TelemetryWriter
from pipelines.replay import replay

SAMPLES_A_MESSAGE = 60
RECEIVE_MAXIMUM = GroupCommit().messages


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
        sys.exit("clients: the broker does not answer")
    client.disconnect()
    client.loop_stop()


def counting_client(client_id: str) -> paho.Client:
    """Make a client that subscribes as the subscriber does."""
    client = make_client(paho.Client, address("0"), client_id, version="5", is_persistent=True, manual_ack=False)

    def on_connect(*_: Any) -> None:
        client.subscribe(subscription(), qos=1)

    client.on_connect = on_connect
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
        sys.exit(f"clients: only {state['n']} of {n} messages came")
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

        def _take(self, *arguments: Any) -> None:
            if not times:
                times.append(time.perf_counter())
            Subscriber._take(self, *arguments)

    def on_commit(commit: Landed) -> None:
        landed["messages"] += commit.n_messages
        landed["samples"] += commit.n_samples
        if landed["messages"] >= int(n):
            times.append(time.perf_counter())
            done.set()

    peak = PeakMemory()
    with Store.open(Path(db), memory_limit=MEMORY, threads=1) as store, peak:
        subscriber = Timed(
            address(port), TelemetryWriter(store).write, client_id="land", on_commit=on_commit, decoder=ProcessDecoder()
        )
        subscriber.start()
        if not done.wait(600):
            sys.exit(f"clients: only {landed['messages']} of {n} messages were committed")
        subscriber.stop()
    if landed["samples"] != int(n) * SAMPLES_A_MESSAGE:
        sys.exit(f"clients: {landed['samples']} samples landed, not {int(n) * SAMPLES_A_MESSAGE}")
    return {"seconds": times[1] - times[0], "peak_mib": peak.mib}


class PeakMemory:
    """The most memory that this process and its children have together, in MiB, looked at a few times a second.

    Pages that both have (libraries) count once: it is the sum of their proportional set sizes.
    """

    def __init__(self) -> None:
        self.mib = 0.0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._ending.wait(0.2):
            pids = [os.getpid(), *(child.pid for child in active_children())]
            self.mib = max(self.mib, sum(map(pss_mib, pids)))


def pss_mib(pid: int | None) -> float:
    """Give the proportional set size of a process, MiB; 0 when it is gone."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


ROLES: dict[str, Callable[..., Any]] = {"subscribe": subscribe, "publish": publish, "count": count, "land": land}


def main() -> None:
    """Play the role that the first argument names, with the others; print what was measured."""
    click.echo(json.dumps(ROLES[sys.argv[1]](*sys.argv[2:])))
