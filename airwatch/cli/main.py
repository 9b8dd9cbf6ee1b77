"""The `airwatch` command."""

import logging
import sys

import click

from airwatch.cli.demo import demo
from airwatch.cli.live import replay, serve, subscribe
from airwatch.cli.stored import derive, export, land, tidy
from airwatch.errors import AirwatchError

CAUTION = (
    "A reading finds work; it never clears a vehicle. Chock the wheels and drain stored air before anyone works on"
    " brakes. Qualified inspectors and local rules decide."
)


@click.group(epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="airwatch")
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def airwatch(*, verbose: bool) -> None:
    """Measure a fleet's air brakes from its bus data, and find the units that need the shop."""
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )


for _command in (demo, serve, subscribe, replay, land, derive, export, tidy):
    airwatch.add_command(_command)


def run() -> None:
    """Run the command line: exit status 0 done, 1 failed with one line on standard error, 2 wrong usage."""
    try:
        airwatch.main(standalone_mode=False)
    except click.ClickException as err:
        err.show()
        sys.exit(err.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("airwatch: stopped", err=True)
        sys.exit(130)
    except AirwatchError as err:
        click.echo(f"airwatch: {err}", err=True)
        sys.exit(1)
