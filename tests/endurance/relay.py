"""Stands between the subscriber and the broker, and counts what passes; either may die at any moment."""

import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from tests.broker import DEADLINE_S

PUBLISH, PUBACK, SUBACK = 3, 4, 9  # MQTT 5, table 2-1
_DUP = 0x08  # MQTT 5, 3.3.1.1

Look = Callable[["Connection", int, int, bytes], None]


@dataclass(slots=True)
class Connection:
    """One connection of the subscriber, until one of its ends is gone."""

    is_subscribed: bool = False
    waiting: set[int] = field(default_factory=set)
    """Numbers of the packets delivered and not acknowledged."""
    watched: int | None = None
    """The number by which the watched message was delivered."""


class Relay:
    """Passes packets on between a subscriber and the broker on a port, in order, as they come.

    Parameters
    ----------
    port : int
        Where the broker listens.
    watched : str
        A topic; `is_watched_acknowledged` tells when its message has been acknowledged.
    """

    def __init__(self, port: int, watched: str) -> None:
        self._port = port
        self._watched = watched.encode()
        self._open: dict[int, Connection] = {}
        self._counting = threading.Lock()
        self.n_delivered = 0
        self.n_redelivered = 0
        """Those of them that the broker marks as sent before."""
        self.n_acknowledged = 0
        self.is_watched_acknowledged = False
        self._own_port = 0
        self.listen()

    @property
    def url(self) -> str:
        """Where it listens, as ``--broker`` takes it."""
        return f"mqtt://127.0.0.1:{self._own_port}"

    @property
    def n_open(self) -> int:
        """Connections that are open."""
        return len(self._open)

    @property
    def is_subscribed(self) -> bool:
        """Whether the subscriber is connected and its subscription answered."""
        return any(connection.is_subscribed for connection in list(self._open.values()))

    @property
    def n_waiting(self) -> int:
        """Messages delivered by the open connections and not acknowledged."""
        return sum(len(connection.waiting) for connection in list(self._open.values()))

    def listen(self) -> None:
        """Take connections, always on the same port."""
        self._listener = socket.create_server(("127.0.0.1", self._own_port))
        self._own_port = self._listener.getsockname()[1]
        self._accepting = threading.Thread(target=self._accept, args=(self._listener,), daemon=True)
        self._accepting.start()

    def refuse(self) -> None:
        """Take no more connections, as a broker that is not there; those that are open stay open."""
        self._listener.shutdown(socket.SHUT_RDWR)
        self._accepting.join(DEADLINE_S)
        self._listener.close()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:  # closed
                return
            threading.Thread(target=self._serve, args=(near,), daemon=True).start()

    def _serve(self, near: socket.socket) -> None:
        """Pass on both ways until one end is gone."""
        connection = Connection()
        with near, socket.create_connection(("127.0.0.1", self._port)) as far:
            self._open[id(connection)] = connection
            back = threading.Thread(target=_pass_on, args=(far, near, self._from_broker, connection), daemon=True)
            back.start()
            _pass_on(near, far, self._from_client, connection)
            back.join()
        del self._open[id(connection)]

    def _from_broker(self, connection: Connection, kind: int, flags: int, body: bytes) -> None:
        if kind == SUBACK:
            connection.is_subscribed = True
        elif kind == PUBLISH:
            at = 2 + int.from_bytes(body[:2], "big")
            number = int.from_bytes(body[at : at + 2], "big")
            connection.waiting.add(number)
            if body[2:at] == self._watched:
                connection.watched = number
            with self._counting:
                self.n_delivered += 1
                self.n_redelivered += bool(flags & _DUP)

    def _from_client(self, connection: Connection, kind: int, _flags: int, body: bytes) -> None:
        if kind == PUBACK:
            number = int.from_bytes(body[:2], "big")
            connection.waiting.discard(number)
            with self._counting:
                self.n_acknowledged += 1
            if number == connection.watched:
                self.is_watched_acknowledged = True


def _pass_on(source: socket.socket, target: socket.socket, look: Look, connection: Connection) -> None:
    """Pass packets on, each looked at first, until one of the ends is gone; then close both."""
    with suppress(OSError), source.makefile("rb") as stream:
        while head := stream.read(1):
            length = stream.read(1)
            while length and length[-1] & 0x80:
                length += stream.read(1)
            n = sum((byte & 0x7F) << 7 * place for place, byte in enumerate(length))
            body = stream.read(n)
            if not length or len(body) < n:  # cut in the middle of a packet
                break
            look(connection, head[0] >> 4, head[0] & 0x0F, body)
            target.sendall(head + length + body)
    for end in (source, target):
        with suppress(OSError):  # the other way may have closed it
            end.shutdown(socket.SHUT_RDWR)
