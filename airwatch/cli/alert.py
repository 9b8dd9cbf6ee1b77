"""`airwatch alert`."""

from datetime import UTC, datetime
from pathlib import Path

import click

from airwatch.alerts.lifecycle import ACTIONS, Step
from airwatch.cli import options
from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from pipelines.alerts import take_step

_TIME = click.DateTime(["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%dT%H:%MZ", "%Y-%m-%d"])


@click.command()
@click.argument("alert_id", metavar="ID")
@click.argument("change", type=click.Choice((*ACTIONS, "history")))
@options.db
@click.option("--who", default="", help="Who did or decided it.")
@click.option("--why", default="", help="What was found or done; the reason.")
@click.option("--at", type=_TIME, help="From when it holds, UTC (when the repair was done, say); now by default.")
@click.option("--until", type=_TIME, help="The end of a silence, UTC.")
def alert(
    alert_id: str, change: str, db: Path, who: str, why: str, at: datetime | None, until: datetime | None
) -> None:
    """Move one alert on, or list what became of it (history)."""
    with Store.open(db, must_exist=True) as store:
        if change == "history":
            for row in history_of(store, [alert_id]).iter_rows(named=True):
                click.echo(f"{row['at']:%Y-%m-%d %H:%M}Z  {row['change']:<12} {row['who']}: {row['reason']}")
            return
        at = datetime.now(UTC) if at is None else at.replace(tzinfo=UTC)
        until = None if until is None else until.replace(tzinfo=UTC)
        state = take_step(store, Step(alert_id, change, who, at, why, until))
    click.echo(f"alert {alert_id}: {change}; it is {state} now")
