"""`airwatch export`."""

import sys
from pathlib import Path

import click

from airwatch.cli import options
from airwatch.store.database import Store
from airwatch.store.export import TABLES, Table
from pipelines.export import FORMATS, Format, write_export


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
