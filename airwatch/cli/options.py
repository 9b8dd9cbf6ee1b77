"""Options that several commands share."""

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from airwatch.errors import BrokerError
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


def retention(command: Command) -> Command:
    """Add ``--keep-days`` and ``--interval``."""
    command = click.option(
        "--interval",
        "interval_s",
        type=click.FloatRange(min=1),
        default=60.0,
        show_default=True,
        help="Seconds, of what is kept of older samples: least, greatest and mean.",
    )(command)
    return click.option(
        "--keep-days", type=click.FloatRange(min=1), default=400.0, show_default=True, help="Of raw samples."
    )(command)


def session(command: Command) -> Command:
    """Add ``--client-id`` and ``--share``."""
    command = click.option("--share", help="Divide the load with other subscribers of this group (MQTT 5).")(command)
    return click.option("--client-id", default="airwatch", show_default=True, help="The session's name at the broker.")(
        command
    )


class _Broker(click.ParamType[BrokerUrl]):
    name = "url"

    def convert(self, value: Any, _param: click.Parameter | None, _ctx: click.Context | None) -> BrokerUrl:
        try:
            return value if isinstance(value, BrokerUrl) else BrokerUrl.parse(value)
        except BrokerError as err:
            raise click.UsageError(str(err)) from err


def broker(command: Command) -> Command:
    """Add ``--broker``, ``--mqtt``, and what TLS needs, which becomes part of the broker's address."""

    @wraps(command)
    def with_certificates(
        *args: Any, broker: BrokerUrl, ca: Path | None, cert: Path | None, key: Path | None, **others: Any
    ) -> Any:
        return command(*args, broker=broker.with_certificates(ca, cert, key), **others)

    decorated: Any = with_certificates
    for name, what in (
        ("key", "Its key."),
        ("cert", "Our certificate."),
        ("ca", "Who signs the broker's certificate."),
    ):
        decorated = click.option(f"--{name}", type=FILE, metavar="PEM", help=what)(decorated)
    decorated = click.option(
        "--mqtt", "version", type=click.Choice(["5", "3.1.1"]), default="5", show_default=True, help="Protocol version."
    )(decorated)
    decorated = click.option(
        "--broker", "broker", type=_Broker(), required=True, metavar="URL",
        help="mqtt://host:port or mqtts://user@host:port; the password may stand in AIRWATCH_MQTT_PASSWORD.",
    )(decorated)  # fmt: skip
    return cast("Command", decorated)
