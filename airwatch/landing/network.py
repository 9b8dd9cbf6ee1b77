"""The network side of a subscriber: one thread that reads packets as they come and acknowledges in bulk.

paho's own loop asks the operating system four to five times for each packet and once for each acknowledgement. Here
the socket is read in large pieces, from which paho takes its packets, and acknowledgements that are due together go
out together: about half of the processor time a message, which the decoding next to it needs.
"""

import logging
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as paho

log = logging.getLogger(__name__)

_READ_BYTES = 1 << 18
_PACKETS_A_TURN = 2000  # then acknowledgements and keep-alive get their turn
_MISC_EVERY_S = 1.0
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 0.5, 30.0
_PUBACK = 0x40


class BufferedClient(paho.Client):
    """A paho client whose socket is read in large pieces.

    It stands on two methods of paho that are not part of its documented interface; the dependency is bounded to the
    release line they were read in, and the tests against a real broker would fail without them.
    """

    _piece = b""
    _at = 0

    def _create_socket(self) -> Any:
        self._piece, self._at = b"", 0  # what a lost connection had sent is sent again by the next
        return super()._create_socket()

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._piece):
            self._piece, self._at = super()._sock_recv(_READ_BYTES), 0
        taken = self._piece[self._at : self._at + bufsize]
        self._at += len(taken)
        return taken

    @property
    def has_more(self) -> bool:
        """Whether bytes have been read from the socket that no packet was made of yet."""
        if self._at < len(self._piece):
            return True
        pending = getattr(self.socket(), "pending", None)  # what TLS has decrypted already, and select can't see
        return bool(pending and pending())

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Send a PUBACK for each packet number; from the network thread only. MQTT 5 lets 'success' go unwritten."""
        packets = b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in mids)
        if packets:
            self._packet_queue(_PUBACK, packets, 0, 1)


class NetworkLoop:
    """Keeps a client connected, reads what comes, and sends the acknowledgements it is given.

    ``may_read`` is asked before each turn: while it says no, nothing is read and the broker waits; the connection is
    kept up. Acknowledgements are for the connection that their messages came by: after a reconnect the broker numbers
    packets anew, and an old number could acknowledge a message that nobody has committed.
    """

    def __init__(self, client: BufferedClient, *, may_read: Callable[[], bool]) -> None:
        self._client = client
        self._may_read = may_read
        self._due: deque[tuple[int, list[int]]] = deque()
        self._ending = threading.Event()
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

    def acknowledge(self, connection: int, mids: list[int]) -> None:
        """Hand over packet numbers of messages that are committed; from any thread."""
        self._due.append((connection, mids))
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
            for _ in range(_PACKETS_A_TURN):
                if not (self._client.has_more and self._may_read()):
                    break
                self._client.loop_read()
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
        """Wait for something to do; a readable socket is read once, which fills the client's buffer."""
        sock = self._client.socket()
        if sock is None:
            return
        may_read = self._may_read()
        reading = [self._wake_out, *([sock] if may_read else [])]
        timeout_s = 0.0 if may_read and self._client.has_more else _MISC_EVERY_S
        try:
            readable, _, _ = select.select(reading, [sock] if self._client.want_write() else [], [], timeout_s)
        except (OSError, ValueError):  # the socket was closed under us; the next turn reconnects
            return
        if self._wake_out in readable:
            self._drain_wake()
        if sock in readable:
            self._client.loop_read()

    def _drain_wake(self) -> None:
        try:
            while self._wake_out.recv(4096):
                pass
        except BlockingIOError:
            return

    def _send_due(self) -> None:
        while self._due:
            connection, mids = self._due.popleft()
            if connection == self.connection and self._client.is_connected():
                self._client.acknowledge(mids)

    def _reconnect(self) -> bool:
        """Connect again, however often it takes; False when it is time to end."""
        pause_s = _SHORTEST_PAUSE_S
        if not self.reconnects:
            self._ending.wait()
        while not self._ending.is_set():
            try:
                self._client.reconnect()
            except OSError as err:
                log.warning("the broker can't be reached (%s); trying again in %.1f s", err, pause_s)
                if self._ending.wait(pause_s):
                    return False
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            else:
                return True
        return False
