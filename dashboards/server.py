"""Serving the pages."""

import contextlib
import signal
import socket
import threading
from collections.abc import Generator
from ipaddress import ip_address

import click
import uvicorn
from fastapi import FastAPI

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store
from dashboards.app import create_app
from dashboards.errors import PagesError

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


def make_server(store: Store, *, host: str, health: Health | None) -> Server:
    """Make a server that is not bound yet."""
    hosts = ["localhost", "127.0.0.1", "[::1]", "::1", host] if is_loopback(host) else None
    app = create_app(store, health, hosts=hosts)
    return Server(
        uvicorn.Config(
            app, log_config=None, access_log=False, server_header=False, timeout_graceful_shutdown=_LONGEST_GOODBYE_S
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


def url_of(host: str, bound: socket.socket) -> str:
    """Give the address that a browser opens."""
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{bound.getsockname()[1]}/"


def is_loopback(host: str) -> bool:
    """Tell whether only this computer can reach ``host``."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve_pages(store: Store, *, host: str, port: int, health: Health | None) -> None:
    """Serve until SIGINT or SIGTERM, then return.

    Parameters
    ----------
    store : Store
        Where everything is read from.
    host, port
        Where; port 0 takes any free one. The address is written to standard error.
    health : Health, optional
        Of the subscriber in this process, if one runs.

    Raises
    ------
    PagesError
        The port is taken, or the host has no such address.
    """
    bound = bind(host, port)
    open_to_all = (
        "" if is_loopback(host) else " (no sign-in: whoever reaches this address can read it and change alerts)"
    )
    server = make_server(store, host=host, health=health)
    with server.capture_signals():  # from before the address is known, so that no signal is lost
        click.echo(f"pages at {url_of(host, bound)}{open_to_all}", err=True)
        server.run(sockets=[bound])
