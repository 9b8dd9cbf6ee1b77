"""The network side of a subscriber: one thread that reads packets as they come and acknowledges in bulk.

paho's own loop asks the operating system four to five times for each packet and once for each acknowledgement, and
makes an object of each message. Here the socket is read in large pieces, messages are passed on as bytes, many
together, and acknowledgements that are due together go out together: what is saved, the decoding next to it needs.
"""

import logging
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho

from airwatch.landing.packets import MalformedPublishError, Packets, find_publishes, is_whole

log = logging.getLogger(__name__)

_READ_BYTES = 1 << 18
_MISC_EVERY_S = 1.0
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 0.5, 30.0
_LASTED_S = 10.0  # a connection lost sooner was none
_PUBACK = 0x40


class BufferedClient(paho.Client):
    """A paho client whose socket is read in large pieces, and whose PUBLISH packets are taken before paho sees them.

    paho keeps the connection, its handshake, keep-alive, subscriptions and what is sent. It gets each other packet
    when all of it is there. This stands on three methods of paho that are not part of its documented interface; the
    dependency is bounded to the release line they were read in, and the tests against a real broker would fail
    without them.
    """

    _piece = b""
    _at = 0

    def _create_socket(self) -> Any:
        self._piece, self._at = b"", 0  # what a lost connection had sent is sent again by the next
        return super()._create_socket()

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._piece):
            return super()._sock_recv(bufsize)
        taken = self._piece[self._at : self._at + bufsize]
        self._at += len(taken)
        return taken

    def fill(self) -> bool:
        """Read from the socket what there is, up to a piece; False if the connection is lost."""
        try:
            read = super()._sock_recv(_READ_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        self._piece = self._piece[self._at :] + read if self._at < len(self._piece) else read
        self._at = 0
        return bool(read)

    def give_up(self) -> None:
        """Let paho find that the connection is lost; what was not taken is sent again by the next one."""
        self._piece, self._at = b"", 0
        self.loop_read()

    def take(self, most: int) -> tuple[Packets, bytes] | None:
        """Take up to ``most`` PUBLISH packets from the front of what was read, and the PUBACK packets for them.

        Raises
        ------
        MalformedPublishError
            The broker breaks the protocol.
        """
        found = find_publishes(self._piece, self._at, most)
        if not found.n:
            return None
        wire = self._piece[self._at : found.end]
        self._at = found.end
        is_v5 = self.protocol == paho.MQTTv5
        return Packets(wire, found.n, time.time_ns() // 1000, is_v5), found.acknowledgements

    @property
    def has_whole(self) -> bool:
        """Whether a whole packet has been read from the socket."""
        return self._at < len(self._piece) and is_whole(self._piece, self._at)

    @property
    def has_pending(self) -> bool:
        """Whether TLS has decrypted bytes already, which select can't see."""
        pending = getattr(self.socket(), "pending", None)
        return bool(pending and pending())

    def acknowledge(self, packets: bytes) -> None:
        """Send PUBACK packets; from the network thread only."""
        self._packet_queue(_PUBACK, packets, 0, 1)


class NetworkLoop:
    """Keeps a client connected, reads what comes, and sends the acknowledgements it is given.

    ``room`` says how many messages may be taken: while there is none, nothing is read and the broker waits; the
    connection is kept up. ``take`` gets what came, with the PUBACK packets that acknowledge it. Acknowledgements are
    for the connection that their messages came by: after a reconnect the broker numbers packets anew, and an old
    number could acknowledge a message that nobody has committed.
    """

    def __init__(
        self, client: BufferedClient, *, room: Callable[[], int], take: Callable[[Packets, bytes], None]
    ) -> None:
        self._client = client
        self._room = room
        self._take = take
        self._due: deque[tuple[int, bytes]] = deque()
        self._ending = threading.Event()
        self._tried, self._pause_s = time.monotonic(), 0.0
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_out.setblocking(False)  # noqa: FBT003 the socket's own signature
        self._wake_in.setblocking(False)  # noqa: FBT003
        self._thread = threading.Thread(target=self._run, name="network", daemon=True)
        self.connection = 0
        """The number of the present connection."""
        self.reconnects = True
        """Whether a lost connection is made again."""

    @property
    def is_connected(self) -> bool:
        """Whether the broker has accepted the present connection."""
        return self._client.is_connected()

    def start(self) -> None:
        """Begin. The client must be connected or connecting."""
        self._thread.start()

    def acknowledge(self, connection: int, packets: bytes) -> None:
        """Hand over the PUBACK packets of messages that are committed; from any thread."""
        self._due.append((connection, packets))
        self.wake()

    def wake(self) -> None:
        """Let the network thread look again at what it may do."""
        try:
            self._wake_in.send(b"\0")
        except BlockingIOError:  # a full pipe wakes it too
            return

    def stop(self) -> None:
        """Send what is due, disconnect, end the thread."""
        self._ending.set()
        self.wake()
        self._thread.join()
        self._wake_in.close()
        self._wake_out.close()

    def _run(self) -> None:
        looked = time.monotonic()
        while True:
            if self._client.socket() is None and not self._reconnect():
                return
            self._wait()
            self._take_what_came()
            self._send_due()
            if self._client.want_write():
                self._client.loop_write()
            if time.monotonic() - looked >= _MISC_EVERY_S:
                looked = time.monotonic()
                self._client.loop_misc()
            if self._ending.is_set() and not self._due and not self._client.want_write():
                self._client.disconnect()
                return

    def _wait(self) -> None:
        """Wait for something to do; a readable socket is read once, into the client's buffer."""
        sock = self._client.socket()
        if sock is None:
            return
        has_room = self._room() > 0
        is_ready = has_room and (self._client.has_whole or self._client.has_pending)
        reading = [self._wake_out, *([sock] if has_room else [])]
        writing = [sock] if self._client.want_write() else []
        try:
            readable, _, _ = select.select(reading, writing, [], 0.0 if is_ready else _MISC_EVERY_S)
        except (OSError, ValueError):  # the socket was closed under us; the next turn reconnects
            return
        if self._wake_out in readable:
            self._drain_wake()
        if (sock in readable or (has_room and self._client.has_pending)) and not self._client.fill():
            self._take_what_came()
            self._client.give_up()

    def _take_what_came(self) -> None:
        """Hand on messages as far as there is room, and let paho have the packets between them."""
        try:
            while self._client.has_whole and (room := self._room()) > 0:
                if taken := self._client.take(room):
                    self._take(*taken)
                else:
                    self._client.loop_read()
        except MalformedPublishError as err:
            log.error("the broker breaks the protocol: %s; connecting again", err)  # noqa: TRY400
            self._client.disconnect()

    def _drain_wake(self) -> None:
        try:
            while self._wake_out.recv(4096):
                pass
        except BlockingIOError:
            return

    def _send_due(self) -> None:
        while self._due:
            connection, packets = self._due.popleft()
            if packets and connection == self.connection and self._client.is_connected():
                self._client.acknowledge(packets)

    def _reconnect(self) -> bool:
        """Connect again, however often it takes; False when it is time to end.

        The first try after a connection that has lasted comes at once, each further one after a longer pause: also a
        broker that takes a connection only to drop it is not asked without end.
        """
        if not self.reconnects:
            self._ending.wait()
        if time.monotonic() - self._tried >= _LASTED_S:
            self._pause_s = 0.0
        while not self._ending.wait(self._pause_s):
            self._tried = time.monotonic()
            self._pause_s = min(max(2.0 * self._pause_s, _SHORTEST_PAUSE_S), _LONGEST_PAUSE_S)
            try:
                self._client.reconnect()
            except OSError as err:
                log.warning("the broker can't be reached (%s); trying again in %.1f s", err, self._pause_s)
            else:
                return True
        return False
