"""What runs beside the pages: the subscriber, and on schedule derivation and tidying."""

import logging
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

from airwatch.derive.readings import Derived, Window, derive
from airwatch.landing.subscriber import Subscriber
from airwatch.processes import worker_pool
from airwatch.store.database import Store
from pipelines.derive import derive_new
from pipelines.quality import sum_up_new
from pipelines.tidy import tidy

log = logging.getLogger(__name__)

_NICE = 10


@dataclass(frozen=True, slots=True)
class Schedule:
    """How often what is done; raw samples are kept ``keep_days``, then as least, greatest and mean of an interval."""

    derive_every_s: float = 30.0
    tidy_every_s: float = 24 * 3600.0
    keep_days: float = 400.0
    interval_s: float = 60.0


@contextmanager
def running(store: Store, subscriber: Subscriber, schedule: Schedule) -> Iterator[None]:
    """Land, derive and tidy while the block lasts; at its end commit what has been received.

    Derivation runs in a process of its own, which gets frames and gives frames back, so
    that neither the interpreter lock nor the cores are taken from landing and pages.
    """
    ending = threading.Event()
    with worker_pool(1, nice=_NICE) as pool:
        subscriber.start()
        worker = threading.Thread(target=_work, args=(store, pool, schedule, ending), name="derivation", daemon=True)
        worker.start()
        try:
            yield
        finally:
            ending.set()
            subscriber.stop()
            worker.join()


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
