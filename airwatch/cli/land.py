"""`airwatch land`."""

from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.store.database import Store
from airwatch.store.telemetry import Landed
from pipelines.land import land_recordings


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
    # one thread writes: the others would only take the cores from the processes that decode
    with Store.open(db, memory_limit="512MB", threads=1) as store, shown as progress:
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
