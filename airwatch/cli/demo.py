"""`airwatch demo`: the whole line on a recorded fleet."""

import tempfile
import time
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import click
import polars as pl
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from airwatch.alerts.attention import attention
from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.errors import AirwatchError, BrokerError, RecordingError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.decoding import ProcessDecoder
from airwatch.landing.subscriber import Subscriber
from airwatch.store.access.file import AccessFile
from airwatch.store.database import Store
from airwatch.store.results import alerts, count_units
from airwatch.store.telemetry import TelemetryWriter
from dashboards.access.access import Access
from dashboards.server import Where, serve_pages
from pipelines.derive import derive_new
from pipelines.local_broker import local_broker
from pipelines.quality import sum_up_new
from pipelines.replay import replay

_DATA = Path(__file__).parents[2] / "replay_data"
_QUIET_S = 60.0  # without a message: something is stuck
_LOOK_S = 0.05
_VERSION = "3.1.1"  # what the broker inside the program speaks


@click.command()
@click.option("--once", is_flag=True, help="End after the table.")
@click.option(
    "--recording", type=options.FILE, default=_DATA / "demo_fleet.ndjson.zst", help="Another recording to show."
)
@click.option("--units", type=options.FILE, default=_DATA / "units.csv", help="The registry that goes with it.")
@click.option("--db", type=options.FILE, help="Keep the store here; without it, it goes when the demo ends.")
@click.option("--port", default=8420, show_default=True, help="Of the pages, on loopback; 0: any free one.")
def demo(*, once: bool, recording: Path, units: Path, db: Path | None, port: int) -> None:
    """Replay a recorded fleet through a broker, land and derive it, and show which units need the shop."""
    if not recording.exists():
        raise RecordingError(f"{recording}: no such recording; run this in a clone of the project, or give --recording")
    console = Console(stderr=True)
    with (
        tempfile.TemporaryDirectory(prefix="airwatch-demo-") as folder,
        Store.open(db or Path(folder) / "demo.duckdb") as store,
    ):
        began = time.monotonic()
        take_units(store, units)
        _land_over_mqtt(store, recording, console)
        landed_s = time.monotonic() - began
        with console.status("measuring"):
            derived = derive_new(store)
            sum_up_new(store)
        console.print(
            f"landed in {landed_s:.1f} s; {derived.n_readings} readings from {derived.n_samples} samples"
            f" in {time.monotonic() - began - landed_s:.1f} s"
        )
        _print_attention(attention(alerts(store)), count_units(store))
        if not once:
            with AccessFile.open(None) as file:  # no accounts, and none can be made: open to this computer only
                access = Access(file, is_open_here=True)
                serve_pages(store, health=None, access=access, where=Where(port=port))


def _land_over_mqtt(store: Store, recording: Path, console: Console) -> None:
    """Publish the recording from another process and land it until every message has been committed."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with local_broker() as broker, Progress(*columns, console=console) as progress:
        subscriber = Subscriber(
            broker, TelemetryWriter(store).write, client_id="airwatch-demo", version=_VERSION, decoder=ProcessDecoder()
        )
        subscriber.start()
        context = get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        context.Process(target=_publish, args=(recording, broker, theirs), daemon=True).start()
        theirs.close()  # so that the pipe ends with the publisher
        task = progress.add_task("landing over MQTT", total=None)
        total: int | None = None
        last_change, last_count = time.monotonic(), -1
        while total is None or subscriber.health.committed < total:
            if total is None and ours.poll(_LOOK_S):
                total = _outcome(ours, recording)
            elif total is not None:
                time.sleep(_LOOK_S)
            count = subscriber.health.committed
            progress.update(task, completed=count, total=total)
            if count != last_count:
                last_change, last_count = time.monotonic(), count
            elif time.monotonic() - last_change > _QUIET_S:
                break
        subscriber.stop()
        if total is None or subscriber.health.committed < total:
            raise BrokerError(
                f"{recording}: only {subscriber.health.committed} of {total or 'its'} messages came through the broker;"
                " try again, or land it without one: airwatch land"
            )


def _outcome(told: Connection, recording: Path) -> int:
    """Give how many messages were published, or raise what the publisher met."""
    try:
        outcome = told.recv()
    except EOFError as err:
        raise BrokerError(f"{recording}: the publishing process ended early; try again") from err
    if isinstance(outcome, AirwatchError):
        raise outcome
    return int(outcome)


def _publish(recording: Path, broker: BrokerUrl, told: Connection) -> None:
    try:
        told.send(replay([recording], broker, speed=0, version=_VERSION))
    except AirwatchError as err:
        told.send(err)


def _print_attention(ranked: pl.DataFrame, n_units: int) -> None:
    """Print one line a unit; plain text, so that it can be piped."""
    click.echo(f"{ranked.height} of {n_units} units need attention")
    rows = [
        (f"{row['fleet']}/{row['unit']}", row["severity"], f"since {row['since']:%Y-%m-%d}", _reason(row))
        for row in ranked.iter_rows(named=True)
    ]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        click.echo("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())
    click.echo("A reading finds work; it never clears a vehicle. Qualified inspectors and local rules decide.")


def _reason(row: dict[str, Any]) -> str:
    more = row["n_alerts"] - 1
    return f"{row['reason']} (and {more} more)" if more else str(row["reason"])
