"""Commands that work on a store alone: land, derive, export."""

import sys
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from airwatch.cli import options
from airwatch.registry import read_units
from airwatch.store.database import Store
from airwatch.store.export import TABLES, Table
from airwatch.store.registry import replace_units
from airwatch.store.telemetry import Landed
from pipelines.derive import derive_new
from pipelines.export import FORMATS, Format, write_export
from pipelines.land import land_recordings
from pipelines.quality import sum_up_new
from pipelines.tidy import tidy as tidy_store


def take_units(store: Store, path: Path | None) -> None:
    """Read a registry into the store where one is given."""
    if path is not None:
        replace_units(store, read_units(path))


@click.command()
@click.argument("files", nargs=-1, required=True, type=options.FILE)
@options.db
@options.units
@options.root
@click.option("--unit", help="Whose CAN recordings these are.")
def land(files: tuple[Path, ...], db: Path, units: Path | None, root: str, unit: str | None) -> None:
    """Land recordings without a broker: .ndjson or candump .log, plain, .gz or .zst."""
    console = Console(stderr=True)
    shown = Progress(console=console, transient=True, disable=not console.is_terminal)
    with Store.open(db) as store, shown as progress:
        take_units(store, units)
        task = progress.add_task("landing", total=None)
        count = {"messages": 0, "samples": 0, "repeated": 0, "rejected": 0}

        def on_batch(landed: Landed) -> None:
            count["messages"] += landed.n_messages
            count["samples"] += landed.n_samples
            count["repeated"] += landed.n_repeated
            count["rejected"] += landed.n_rejected
            progress.update(task, description=f"landing: {count['messages']} messages, {count['samples']} samples")

        land_recordings(store, list(files), unit=unit, root=root, on_batch=on_batch)
    click.echo(
        f"landed {count['samples']} samples of {count['messages']} messages;"
        f" {count['repeated']} samples were there already;"
        f" {count['rejected']} messages set aside (airwatch export rejects)"
    )


@click.command()
@options.db
@options.units
@click.option("--all", "everything", is_flag=True, help="From each unit's first sample, not only what is new.")
def derive(db: Path, units: Path | None, *, everything: bool) -> None:
    """Measure and judge what is new in the store."""
    with Store.open(db, must_exist=True) as store:
        take_units(store, units)
        done = derive_new(store, everything=everything)
        sum_up_new(store)
    click.echo(f"derived {done.n_readings} readings from {done.n_samples} samples of {done.n_units} units")


@click.command()
@click.argument("table", type=click.Choice(TABLES))
@options.db
@click.option("--format", "fmt", type=click.Choice(FORMATS), default="ndjson", show_default=True)
@click.option("-o", "--output", type=options.FILE, help="A file; standard output where none is named.")
def export(table: Table, db: Path, fmt: Format, output: Path | None) -> None:
    """Write readings, alerts, rejects or samples."""
    with Store.open(db, must_exist=True) as store:
        n_rows = write_export(store, table, fmt, output if output is not None else sys.stdout.buffer)
    if output is not None:
        click.echo(f"wrote {n_rows} rows to {output}")


@click.command()
@options.db
@options.retention
def tidy(db: Path, keep_days: float, interval_s: float) -> None:
    """Put samples in order, and keep only least, greatest and mean of each interval of old ones."""
    with Store.open(db, must_exist=True) as store:
        done = tidy_store(store, keep_days=keep_days, interval_s=interval_s)
    click.echo(
        f"put {done.n_compacted} samples in order;"
        f" rolled {done.rolled_up.n_samples} old ones up into {done.rolled_up.n_intervals} intervals"
    )
