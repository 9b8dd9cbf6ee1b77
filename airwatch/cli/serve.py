"""`airwatch serve`."""

import os
from pathlib import Path
from typing import Any

import click

from airwatch.cli import options
from airwatch.cli.registered import take_units
from airwatch.cli.subscribe import make_subscriber
from airwatch.notify.config import read_config
from airwatch.store.database import Store
from dashboards.server import Where, open_access, serve_pages
from pipelines.serve import Schedule, Telling, running


@click.command()
@options.broker
@options.db
@options.units
@options.root
@click.option("--host", default="127.0.0.1", show_default=True, help="Where the pages are served.")
@click.option("--port", default=8420, show_default=True, help="0: any free one.")
@click.option("--every", "every_s", default=30.0, show_default=True, help="Seconds between derivations.")
@options.retention
@click.option("--tidy-every", "tidy_every_h", default=24.0, show_default=True, help="Hours between tidyings.")
@click.option("--notify", "notify_file", type=options.FILE, help="Who is told of alerts, TOML; see deploy/.")
@click.option("--link", help="Where people open the pages, for links in messages; the host and port by default.")
@click.option("--tls-cert", type=options.FILE, metavar="PEM", help="Serve the pages over TLS with this certificate.")
@click.option("--tls-key", type=options.FILE, metavar="PEM", help="Its key.")
@click.option(
    "--proxy",
    "proxies",
    multiple=True,
    metavar="ADDRESS",
    help="A proxy that ends TLS and says where requests come from; its word is taken. May be given several times.",
)
@click.option("--sign-in-at", "provider_file", type=options.FILE, help="An OpenID Connect provider, TOML; see deploy/.")
@options.session
def serve(
    db: Path,
    units: Path | None,
    host: str,
    port: int,
    every_s: float,
    tidy_every_h: float,
    keep_days: float,
    interval_s: float,
    notify_file: Path | None,
    link: str | None,
    tls_cert: Path | None,
    tls_key: Path | None,
    proxies: tuple[str, ...],
    provider_file: Path | None,
    **session: Any,
) -> None:
    """Land, derive, tidy and show, until stopped."""
    schedule = Schedule(every_s, tidy_every_h * 3600.0, keep_days, interval_s)
    where = Where(host, port, tls_cert, tls_key, proxies, link)
    provider = None
    if provider_file is not None:
        from dashboards.access.provider import open_provider  # noqa: PLC0415 it needs the extra `oidc`

        provider = open_provider(provider_file, os.environ)
    with Store.open(db) as store, open_access(store, where, provider=provider) as access:
        take_units(store, units)
        subscriber = make_subscriber(store, **session)
        telling = None
        if notify_file is not None:
            from pipelines.notify import Notifier  # noqa: PLC0415 it takes a third of a second, and few starts need it

            # a config that can't be used stops the start: nobody would notice later that nobody is told
            notifier = Notifier.open(read_config(notify_file, root=session["root"]), os.environ, session["broker"])
            telling = Telling(notifier, (link or f"{'https' if tls_cert else 'http'}://{host}:{port}").rstrip("/"))
        with running(store, subscriber, schedule, telling):
            serve_pages(store, health=subscriber.health, access=access, where=where)
