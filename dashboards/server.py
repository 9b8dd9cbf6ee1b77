"""Serving the pages."""

import contextlib
import signal
import socket
import threading
from collections.abc import Generator
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click
import uvicorn
from fastapi import FastAPI

from airwatch.landing.subscriber import Health
from airwatch.store.access.accounts import has_admin
from airwatch.store.access.file import AccessFile, access_path
from airwatch.store.database import Store
from dashboards.access.access import Access
from dashboards.app import create_app
from dashboards.errors import PagesError

if TYPE_CHECKING:  # it needs a library that only some installations have
    from dashboards.access.provider import Provider

_LONGEST_GOODBYE_S = 3


class Server(uvicorn.Server):
    """Ends on SIGINT or SIGTERM and returns to its caller, which has a store to close."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the streams that open pages listen to, which would go on for ever, and then all else."""
        if isinstance(self.config.app, FastAPI):
            self.config.app.state.live.close()
        await super().shutdown(sockets)

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Take the signals while it runs; a signal that ended it is not raised again."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {number: signal.signal(number, self.handle_exit) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


@dataclass(frozen=True, slots=True)
class Where:
    """Where pages are served.

    ``certificate`` and ``key`` (PEM files) serve them over TLS. ``proxies`` are addresses of proxies whose word is
    taken for where a request comes from and whether it came by TLS. ``link`` is where people open the pages, if
    elsewhere.
    """

    host: str = "127.0.0.1"
    port: int = 8420
    certificate: Path | None = None
    key: Path | None = None
    proxies: tuple[str, ...] = ()
    link: str | None = None

    @property
    def hosts(self) -> list[str] | None:
        """Names under which the pages may be asked for; None: any."""
        linked = urlsplit(self.link or "").hostname
        if is_loopback(self.host):
            return ["localhost", "127.0.0.1", "[::1]", "::1", self.host, *([linked] if linked else [])]
        return [self.host, linked] if linked else None


def open_access(store: Store, where: Where, *, provider: "Provider | None" = None) -> Access:
    """Open the accounts beside a store; leaving it closes the file.

    Raises
    ------
    StoreError
        The file of accounts can't be opened.
    PagesError
        Somebody else could reach the pages, and nobody could sign in, or passwords could be read on the way.
    """
    file = AccessFile.open(access_path(store.path))
    try:
        check_where(file, where, store.path)
    except PagesError:
        file.close()
        raise
    return Access(file, is_open_here=is_loopback(where.host), provider=provider)


def check_where(file: AccessFile, where: Where, db: Path) -> None:
    """Check that pages which others can reach ask for sign-in, and that nobody can listen to that.

    Raises
    ------
    PagesError
        They would not.
    """
    if (where.certificate is None) != (where.key is None):
        raise PagesError("a certificate needs its key, and a key its certificate: give --tls-cert and --tls-key")
    if is_loopback(where.host):
        return
    if not has_admin(file):
        raise PagesError(
            f"pages at {where.host} can be reached by others, and there is no admin account; make one:"
            f" airwatch account add NAME --role admin --all-fleets --db {db}"
        )
    if where.certificate is None and not where.proxies:
        raise PagesError(
            f"passwords would cross the network to {where.host} in the clear; give --tls-cert and --tls-key, or --proxy"
            " with the address of the proxy that ends TLS"
        )


def make_server(store: Store, *, health: Health | None, access: Access, where: Where) -> Server:
    """Make a server that is not bound yet."""
    app = create_app(store, health, access=access, hosts=where.hosts)
    return Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=_LONGEST_GOODBYE_S,
            proxy_headers=bool(where.proxies),  # by itself uvicorn takes the word of any proxy on this computer
            forwarded_allow_ips=list(where.proxies),
            ssl_certfile=where.certificate,
            ssl_keyfile=where.key,
        )
    )


def bind(host: str, port: int) -> socket.socket:
    """Listen; port 0 takes any free one.

    Raises
    ------
    PagesError
        The port is taken, or the host has no such address.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        bound = socket.socket(family, kind, protocol)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind(address)
            bound.listen()  # a request that comes before the server is ready waits for it
        except OSError:
            bound.close()
            raise
    except (OSError, OverflowError) as err:
        raise PagesError(
            f"the pages can't be served at {host} port {port}: {err}; choose another with --port or --host"
        ) from err
    return bound


def url_of(host: str, bound: socket.socket, *, is_tls: bool = False) -> str:
    """Give the address that a browser opens."""
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if is_tls else 'http'}://{shown}:{bound.getsockname()[1]}/"


def is_loopback(host: str) -> bool:
    """Tell whether only this computer can reach ``host``."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve_pages(store: Store, *, health: Health | None, access: Access, where: Where) -> None:
    """Serve until SIGINT or SIGTERM, then return.

    Parameters
    ----------
    store : Store
        Where everything is read from.
    health : Health, optional
        Of the subscriber in this process, if one runs.
    access : Access
        Who may ask.
    where : Where
        Port 0 takes any free one. The address is written to standard error.

    Raises
    ------
    PagesError
        The port is taken, the host has no such address, or the certificate can't be used.
    """
    bound = bind(where.host, where.port)
    try:
        server = make_server(store, health=health, access=access, where=where)
        server.config.load()
    except OSError as err:  # ssl.SSLError is one
        bound.close()
        raise PagesError(f"{where.certificate}: can't be used with {where.key} for TLS: {err}") from err
    is_open = " (open to this computer, without sign-in, until there is an account)" if access.is_open() else ""
    with server.capture_signals():  # from before the address is known, so that no signal is lost
        click.echo(f"pages at {url_of(where.host, bound, is_tls=where.certificate is not None)}{is_open}", err=True)
        server.run(sockets=[bound])
