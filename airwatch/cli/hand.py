"""`airwatch hand`."""

from pathlib import Path

import click

from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.errors import HandError
from airwatch.hand.csv_file import read_entries
from airwatch.hand.judge import judge_entries
from airwatch.store.database import Store
from airwatch.store.hand import entries_of
from airwatch.store.registry import current as registered_units
from pipelines.hand import fleets_of_units, take_entries


@click.group()
def hand() -> None:
    """Take in what was measured by tape, watch and gauge, and list it with verdicts."""


@hand.command("import")
@click.argument("file", type=options.FILE)
@options.db
@options.units
@click.option("--fleet", help="Whose units they are, where a unit's name stands in several fleets.")
@click.option("--confirm", is_flag=True, help="Insist on entries that were asked back, where they are possible.")
def import_(file: Path, db: Path, units: Path | None, fleet: str | None, *, confirm: bool) -> None:
    """Import a CSV: unit,taken_at,by,item,position,value,measure,finding,note.

    What looks wrong is asked back, one line each, and not stored; the rest is. Importing a file again lands nothing
    twice.
    """
    with Store.open(db) as store:
        take_units(store, units)
        entries, lines = read_entries(file, fleets_of_units(store, fleet))
        sifted = take_entries(store, entries, confirmed=entries["id"].to_list() if confirm else ())
    for question in sifted.questions:
        would_be = f" (it would be {' or '.join(question.would_be)})" if question.would_be else ""
        click.echo(f"{file} line {lines[question.row]}, {question.field}: {question.asks}{would_be}", err=True)
    click.echo(f"took {sifted.accepted.height} entries; {sifted.repeated.height} were there already")
    if asked := len({question.row for question in sifted.questions}):
        may_insist = any(question.may_insist for question in sifted.questions)
        insist = ", or import it again with --confirm" if may_insist else ""
        raise HandError(f"{file}: {asked} of {entries.height} entries are asked back; correct them{insist}")


@hand.command("list")
@options.db
@click.option("--fleet", help="Only of this fleet.")
@click.option("--unit", help="Only of this unit.")
def list_(db: Path, fleet: str | None, unit: str | None) -> None:
    """List what holds, with value, interval and verdict, oldest first."""
    with Store.open(db, must_exist=True) as store:
        judged = judge_entries(entries_of(store, fleet, unit), registered_units(store))
    for row in judged.iter_rows(named=True):
        place = "" if row["position"] is None else f" {row['position']}"
        said = row["finding"] if row["value"] is None else f"{row['value']:g} {row['measure']}"
        between = (
            ""
            if row["canonical"] is None
            else f" ({row['lower']:.1f} to {row['upper']:.1f} {row['canonical_measure']})"
        )
        by_rule = "" if row["rule"] is None else f", {row['rule']}"
        click.echo(
            f"{row['taken_at']:%Y-%m-%d %H:%M}Z  {row['unit']:<10} {row['item']}{place}: {said}{between}:"
            f" {row['verdict']}{by_rule}  [{row['by']}, {row['id']}]"
        )
