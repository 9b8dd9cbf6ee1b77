"""What `airwatch land` does, once it is known what is asked for."""

from collections.abc import Sequence
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from airwatch.cli.registered import take_units
from airwatch.landing.child import Started
from airwatch.store.database import Store
from airwatch.store.telemetry import Landed
from pipelines.land import land_recordings


def land_files(
    files: list[Path], db: Path, units: Path | None, root: str, unit: str | None, started: Sequence[Started]
) -> None:
    """Land recordings and say how far it is; see `pipelines.land.land_recordings`."""
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

        land_recordings(store, files, unit=unit, root=root, on_batch=on_batch, started=started)
    click.echo(
        f"landed {count['samples']} samples of {count['messages']} messages;"
        f" {count['repeated']} samples were there already;"
        f" {count['rejected']} messages set aside (airwatch export rejects)"
    )
