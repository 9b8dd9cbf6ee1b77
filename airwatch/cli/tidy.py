"""`airwatch tidy`."""

from pathlib import Path

import click

from airwatch.cli import options
from airwatch.store.database import Store
from pipelines.tidy import tidy as tidy_store


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
