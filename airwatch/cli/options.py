"""Options that several commands share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from airwatch.landing.broker_url import BrokerUrl

Command = TypeVar("Command", bound=Callable[..., Any])

FILE = click.Path(dir_okay=False, path_type=Path)


def db(command: Command) -> Command:
    """Add ``--db``."""
    return click.option("--db", "db", type=FILE, required=True, metavar="PATH", help="The store, a DuckDB file.")(
        command
    )


def units(command: Command) -> Command:
    """Add ``--units``."""
    return click.option(
        "--units", "units", type=FILE, metavar="CSV", help="The unit registry; the store keeps the last one given."
    )(command)


def root(command: Command) -> Command:
    """Add ``--root``."""
    return click.option("--root", default="air/v1", show_default=True, help="Topic root.")(command)


def share(command: Command) -> Command:
    """Add ``--share``."""
    return click.option("--share", help="Divide the load with other subscribers of this group (MQTT 5).")(command)


class _Broker(click.ParamType[BrokerUrl]):
    name = "url"

    def convert(self, value: Any, _param: click.Parameter | None, _ctx: click.Context | None) -> BrokerUrl:
        return value if isinstance(value, BrokerUrl) else BrokerUrl.parse(value)


def broker(command: Command) -> Command:
    """Add ``--broker`` and ``--mqtt``."""
    command = click.option(
        "--mqtt", "version", type=click.Choice(["5", "3.1.1"]), default="5", show_default=True, help="Protocol version."
    )(command)
    return click.option(
        "--broker", "broker", type=_Broker(), required=True, metavar="URL",
        help="mqtt://host:port or mqtts://user@host:port; the password may stand in AIRWATCH_MQTT_PASSWORD.",
    )(command)  # fmt: skip
