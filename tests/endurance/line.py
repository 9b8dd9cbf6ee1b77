"""Publisher, broker, relay and subscriber of one replay, and how each of them is killed."""

import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from airwatch.store.database import Store
from airwatch.store.results import landing_counts
from tests.broker import DEADLINE_S, Mosquitto, wait_until
from tests.endurance.publisher import Published, Publisher
from tests.endurance.relay import Relay

LAST_DEADLINE_S = 600.0


@dataclass
class Tally:
    """What was done, and what it met."""

    kills: Counter[str] = field(default_factory=Counter)
    """Kills of the subscriber, by the occasion they waited for."""
    broker_kills: int = 0
    met_waiting: int = 0
    """Kills while messages were delivered and not acknowledged."""
    met_between: int = 0
    """Kills of the subscriber after which more was committed than acknowledged."""
    acknowledged_early: int = 0
    """Kills of the subscriber after which more was acknowledged than committed: there may be none."""
    published: int = 0


class Line:
    """Starts everything; nothing is published before it is let.

    Parameters
    ----------
    program : str
        Mosquitto.
    folder : Path
        Where broker and store have their files.
    messages : sequence of Published
        What is published; each is sent as far as `let` allows. The last has a topic of its own.
    per_s : float
        How many of them go out in a second.
    """

    def __init__(self, program: str, folder: Path, messages: Sequence[Published], *, per_s: float) -> None:
        self.db, self._said = folder / "landed.duckdb", folder / "subscriber.txt"
        self.tally = Tally()
        self.messages, self._per_s = messages, per_s
        self._saved = self._fresh = self._limit = 0
        self._unacknowledged = 0  # messages that were committed, and whose acknowledgement a kill prevented
        self._broker = Mosquitto(program, folder)
        self._broker.start()
        self.relay = Relay(self._broker.port, watched=messages[-1][0])
        self._subscriber = self._subscribe()
        self._publisher = Publisher(self._broker.port, messages, per_s=per_s)

    def begin(self) -> None:
        """Wait until the subscriber's session is in the broker's file; then the broker keeps messages for it."""
        self.wait_for(lambda: self.relay.is_subscribed, "the subscriber does not subscribe")
        self.save()

    def wait_for(self, condition: Callable[[], object], what: str, *, deadline_s: float = DEADLINE_S) -> None:
        """Wait for something that the subscriber must be alive for."""

        def is_so() -> object:
            if (status := self._subscriber.poll()) is not None:
                raise AssertionError(f"the subscriber ended with status {status}, see {self._said}")
            return condition()

        wait_until(is_so, what, deadline_s=deadline_s)

    def let(self, limit: int) -> None:
        """Let all messages before this one be published."""
        self._limit = limit
        self._publisher.let(limit)

    def save(self) -> None:
        """Have the broker save, and hold no longer what is in its file then."""
        acknowledged = self._publisher.acknowledged
        self._broker.save()
        self._saved = acknowledged

    def seen(self) -> dict[str, object]:
        """Give, for each occasion of a kill, what changes when it comes."""
        files = sorted(self.db.parent.glob(f"{self.db.name}*"))
        return {
            "arrival": self.relay.n_delivered,
            "write": [file.stat().st_size for file in files if file.exists()],
            "acknowledgement": self.relay.n_acknowledged,
        }

    def wait_for_occasion(self, occasion: str, seen: dict[str, object]) -> None:
        """Wait until the subscriber has subscribed and there is more than was seen; not at all for a start."""
        if occasion != "start":
            self.wait_for(lambda: self.relay.is_subscribed, "the subscriber does not subscribe")
            self.wait_for(lambda: self.seen()[occasion] != seen[occasion], f"there is no {occasion}")

    def kill_subscriber(self, occasion: str) -> None:
        """Kill it, look at what it leaves behind, and start it again."""
        self.tally.kills[occasion] += 1
        self.tally.met_waiting += self.relay.n_waiting > 0
        self._subscriber.kill()
        self._wait_for_end()
        if self._subscriber.returncode != -signal.SIGKILL:
            raise AssertionError(f"the subscriber had ended by itself, with status {self._subscriber.returncode}")
        wait_until(lambda: self.relay.n_open == 0, "the relay does not see that the subscriber is gone")
        unacknowledged = self._count_in_copy() - self.relay.n_acknowledged
        self.tally.met_between += unacknowledged > self._unacknowledged
        self.tally.acknowledged_early += unacknowledged < self._unacknowledged
        self._unacknowledged = unacknowledged
        self._subscriber = self._subscribe()

    def kill_broker(self) -> None:
        """Kill it, start it again, and publish again what it may have lost."""
        self.tally.broker_kills += 1
        self.relay.refuse()
        self.tally.met_waiting += self.relay.n_waiting > 0
        self._broker.kill()
        self._end_publisher()
        wait_until(lambda: self.relay.n_open == 0, "the relay does not see that the broker is gone")
        self._broker.start()
        self.relay.listen()
        self._publisher = Publisher(
            self._broker.port, self.messages, first=self._saved, fresh=self._fresh, per_s=self._per_s
        )
        self._publisher.let(self._limit)

    def finish(self) -> None:
        """Publish what is left, wait until the last message is acknowledged, and end the subscriber."""
        self.let(len(self.messages))
        landed = "the last message does not land"
        self.wait_for(lambda: self.relay.is_watched_acknowledged, landed, deadline_s=LAST_DEADLINE_S)
        self._end_publisher()
        self._subscriber.terminate()
        self._wait_for_end()
        if status := self._subscriber.returncode:
            raise AssertionError(f"the subscriber ended with status {status}, see {self._said}")

    def close(self) -> None:
        """End whatever runs."""
        self._publisher.close()
        self._subscriber.kill()
        self._wait_for_end()
        self._broker.close()
        self.relay.refuse()

    def _subscribe(self) -> "subprocess.Popen[bytes]":
        program = str(Path(sys.executable).with_name("airwatch"))
        command = [program, "subscribe", "--broker", self.relay.url, "--db", str(self.db)]
        with self._said.open("ab") as said:
            return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=said)

    def _wait_for_end(self) -> None:
        """Wait until the subscriber has ended, and every process that it has started: they hold its output."""
        self._subscriber.communicate(timeout=DEADLINE_S)

    def _end_publisher(self) -> None:
        self._publisher.close()
        self.tally.published += self._publisher.n_published
        self._fresh = max(self._fresh, self._publisher.reached)

    def _count_in_copy(self) -> int:
        """Count the messages in a copy of the store: the next subscriber is to find it as the kill has left it."""
        with tempfile.TemporaryDirectory(dir=self.db.parent) as name:
            for file in self.db.parent.glob(f"{self.db.name}*"):
                shutil.copy(file, name)
            with Store.open(Path(name) / self.db.name) as store:
                counts = landing_counts(store)
        return counts["messages"] + counts["rejects"]
