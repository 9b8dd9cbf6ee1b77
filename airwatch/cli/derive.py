"""`airwatch derive`."""

from pathlib import Path

import click

from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.store.database import Store
from pipelines.derive import derive_new
from pipelines.quality import sum_up_new


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
