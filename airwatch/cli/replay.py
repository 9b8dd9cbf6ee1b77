"""`airwatch replay`."""

from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from airwatch.cli import options
from airwatch.landing.broker_url import BrokerUrl
from pipelines.replay import replay as publish


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
