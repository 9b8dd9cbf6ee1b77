"""A broker inside the program, for the demo: own process, loopback, no passwords. Never for a fleet."""

import asyncio
import logging
import multiprocessing
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection

from amqtt.broker import Broker

from airwatch.errors import BrokerError
from airwatch.landing.broker_url import BrokerUrl

_START_S = 30.0


@contextmanager
def local_broker() -> Iterator[BrokerUrl]:
    """Run a broker on a free port of loopback while the block lasts. It speaks MQTT 3.1.1.

    Raises
    ------
    BrokerError
        It did not come up.
    """
    port = _free_port()
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(port, theirs), daemon=True)
    process.start()
    try:
        if not ours.poll(_START_S) or ours.recv() != "up":
            raise BrokerError(f"the broker inside the program did not start on port {port}; try again")
        yield BrokerUrl("127.0.0.1", port, is_tls=False)
    finally:
        process.terminate()
        process.join()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _serve(port: int, told: Connection) -> None:
    logging.getLogger("amqtt").setLevel(logging.ERROR)
    logging.getLogger("transitions").setLevel(logging.ERROR)
    asyncio.run(_run(port, told))


async def _run(port: int, told: Connection) -> None:
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 20}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    told.send("up")
    await asyncio.Event().wait()
