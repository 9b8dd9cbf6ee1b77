"""Commands that speak to a broker: subscribe, replay, serve."""

import signal
import threading
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress

from airwatch.cli import options
from airwatch.cli.stored import take_units
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.decoding import ProcessDecoder
from airwatch.landing.subscriber import Subscriber
from airwatch.store.database import Store
from airwatch.store.telemetry import TelemetryWriter
from dashboards.server import serve_pages
from pipelines.replay import replay as publish
from pipelines.serve import Schedule, running


def _subscriber(store: Store, *, root: str, **session: Any) -> Subscriber:
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
    with Store.open(db) as store:
        take_units(store, units)
        subscriber = _subscriber(store, **session)
        subscriber.start()
        click.echo(f"subscribed to {subscriber.root}/# at {subscriber.broker}, landing in {db}", err=True)
        ending.wait()
        subscriber.stop()
    health = subscriber.health
    click.echo(f"landed {health.samples} samples of {health.committed} messages; {health.rejected} set aside")


@click.command()
@click.argument("files", nargs=-1, required=True, type=options.FILE)
@options.broker
@click.option(
    "--speed",
    type=click.FloatRange(min=0),
    default=1.0,
    show_default=True,
    help="Times the recorded speed; 0: as fast as acknowledged.",
)
def replay(files: tuple[Path, ...], broker: BrokerUrl, version: str, speed: float) -> None:
    """Publish recordings to a broker."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("publishing", total=None)
        count = publish(
            files,
            broker,
            speed=speed,
            version=version,
            on_published=lambda n: progress.update(task, completed=n, description=f"published {n} messages"),
        )
    click.echo(f"published {count} messages to {broker}")


@click.command()
@options.broker
@options.db
@options.units
@options.root
@click.option("--host", default="127.0.0.1", show_default=True, help="Where the pages are served.")
@click.option("--port", default=8420, show_default=True, help="0: any free one.")
@click.option("--every", "every_s", default=30.0, show_default=True, help="Seconds between derivations.")
@options.retention
@click.option("--tidy-every", "tidy_every_h", default=24.0, show_default=True, help="Hours between tidyings.")
@options.session
def serve(
    db: Path,
    units: Path | None,
    host: str,
    port: int,
    every_s: float,
    tidy_every_h: float,
    keep_days: float,
    interval_s: float,
    **session: Any,
) -> None:
    """Land, derive, tidy and show, until stopped."""
    schedule = Schedule(every_s, tidy_every_h * 3600.0, keep_days, interval_s)
    with Store.open(db) as store:
        take_units(store, units)
        subscriber = _subscriber(store, **session)
        with running(store, subscriber, schedule):
            serve_pages(store, host=host, port=port, health=subscriber.health)
