"""`airwatch subscribe`, and the subscriber that `serve` has too."""

import signal
import threading
from pathlib import Path
from typing import Any

import click

from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.landing.decoding import ProcessDecoder
from airwatch.landing.subscriber import Subscriber
from airwatch.store.database import Store
from airwatch.store.telemetry import MEMORY, TelemetryWriter


def make_subscriber(store: Store, *, root: str, **session: Any) -> Subscriber:
    """Make the subscriber that the options describe; they are named as its fields are."""
    return Subscriber(write=TelemetryWriter(store).write, root=root, decoder=ProcessDecoder(root), **session)


@click.command()
@options.broker
@options.db
@options.units
@options.root
@options.session
def subscribe(db: Path, units: Path | None, **session: Any) -> None:
    """Land what the broker has, until SIGTERM or SIGINT: then commit what has been received and end."""
    ending = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: ending.set())
    with Store.open(db, memory_limit=MEMORY, threads=1) as store:  # the cores are for what decodes
        take_units(store, units)
        subscriber = make_subscriber(store, **session)
        subscriber.start()
        click.echo(f"subscribed to {subscriber.root}/# at {subscriber.broker}, landing in {db}", err=True)
        ending.wait()
        subscriber.stop()
    health = subscriber.health
    click.echo(f"landed {health.samples} samples of {health.committed} messages; {health.rejected} set aside")
