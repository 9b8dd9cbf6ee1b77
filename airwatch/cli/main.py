"""The `airwatch` command."""

import logging
import sys
from importlib import import_module

import click

from airwatch.errors import AirwatchError

CAUTION = (
    "A reading finds work; it never clears a vehicle. Chock the wheels and drain stored air before anyone works on"
    " brakes. Qualified inspectors and local rules decide."
)
_COMMANDS = (
    "account",
    "alert",
    "demo",
    "serve",
    "subscribe",
    "replay",
    "land",
    "derive",
    "evaluate",
    "export",
    "hand",
    "plan",
    "tidy",
)
"""Each is in the module of its name, which is imported when the command is asked for, so that all start fast."""


class _Commands(click.Group):
    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = getattr(import_module(f"airwatch.cli.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)  # noqa: S101 the table is right, and tests ask for each
        return command


@click.group(cls=_Commands, epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="airwatch")
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def airwatch(*, verbose: bool) -> None:
    """Measure a fleet's air brakes from its bus data, and find the units that need the shop."""
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )


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
