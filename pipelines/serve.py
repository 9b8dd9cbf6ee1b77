"""What runs beside the pages: the subscriber, and on schedule derivation and tidying."""

import logging
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from airwatch.derive.readings import Derived, Window, derive
from airwatch.landing.subscriber import Subscriber
from airwatch.processes import worker_pool
from airwatch.store.database import Store
from airwatch.store.outbox import add_to_outbox, events_to_tell, outbox
from pipelines.derive import derive_new
from pipelines.quality import sum_up_new
from pipelines.tidy import tidy

if TYPE_CHECKING:  # what sends takes a third of a second to import, and few starts need it
    from pipelines.notify import Notifier

log = logging.getLogger(__name__)

_NICE = 10


@dataclass(frozen=True, slots=True)
class Schedule:
    """How often what is done; raw samples are kept ``keep_days``, then as least, greatest and mean of an interval."""

    derive_every_s: float = 30.0
    tidy_every_s: float = 24 * 3600.0
    keep_days: float = 400.0
    interval_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Telling:
    """Who tells people of alerts, and where the pages are that its messages point to."""

    notifier: "Notifier"
    link: str
    every_s: float = 10.0


@contextmanager
def running(store: Store, subscriber: Subscriber, schedule: Schedule, telling: Telling | None = None) -> Iterator[None]:
    """Land, derive, tidy and tell while the block lasts; at its end commit what has been received.

    Derivation runs in a process of its own, which gets frames and gives frames back, so
    that neither the interpreter lock nor the cores are taken from landing and pages.
    """
    ending = threading.Event()
    with worker_pool(1, nice=_NICE) as pool:
        subscriber.start()
        worker = threading.Thread(target=_work, args=(store, pool, schedule, ending), name="derivation", daemon=True)
        worker.start()
        threads = [worker]
        if (
            telling is not None
        ):  # in a thread of its own: a mail server that does not answer must not hold up derivation
            threads.append(threading.Thread(target=_tell, args=(store, telling, ending), name="telling", daemon=True))
            threads[-1].start()
        try:
            yield
        finally:
            ending.set()
            subscriber.stop()
            for thread in threads:
                thread.join()


def _tell(store: Store, telling: Telling, ending: threading.Event) -> None:
    while True:
        try:
            tell_once(store, telling)
        except Exception:
            log.exception("telling people of alerts failed; trying again in %g s", telling.every_s)
        if ending.wait(telling.every_s):
            return


def tell_once(store: Store, telling: Telling) -> int:
    """Send what is due just now, write down what became of it, and give the number of rows written."""
    events = events_to_tell(store, telling.link)
    done = telling.notifier.send_due(
        events, outbox(store), datetime.now(UTC), record=lambda rows: add_to_outbox(store, rows)
    )
    return done.height


def _work(store: Store, pool: ProcessPoolExecutor, schedule: Schedule, ending: threading.Event) -> None:
    def elsewhere(window: Window) -> Derived:
        return pool.submit(derive, window).result()

    tidied = time.monotonic()
    while True:
        try:
            done = derive_new(store, derive_window=elsewhere)
            sum_up_new(store)
            if done.n_units:
                log.info("derived %d readings of %d units", done.n_readings, done.n_units)
            if time.monotonic() - tidied >= schedule.tidy_every_s:
                tidy(store, keep_days=schedule.keep_days, interval_s=schedule.interval_s)
                tidied = time.monotonic()
        except Exception:
            log.exception("derivation or tidying failed; trying again in %g s", schedule.derive_every_s)
        if ending.wait(schedule.derive_every_s):
            return
