"""What runs beside the pages: the subscriber and the scheduled derivation."""

import logging
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager

from airwatch.derive.readings import Derived, Window, derive
from airwatch.landing.subscriber import Subscriber
from airwatch.processes import worker_pool
from airwatch.store.database import Store
from pipelines.derive import derive_new
from pipelines.quality import sum_up_new

log = logging.getLogger(__name__)

_NICE = 10


@contextmanager
def running(store: Store, subscriber: Subscriber, *, every_s: float) -> Iterator[None]:
    """Land and derive while the block lasts; at its end commit what has been received.

    Derivation runs every ``every_s`` seconds in a process of its own, which gets frames and gives frames back, so
    that neither the interpreter lock nor the cores are taken from landing and pages.
    """
    ending = threading.Event()
    with worker_pool(1, nice=_NICE) as pool:
        subscriber.start()
        worker = threading.Thread(target=_schedule, args=(store, pool, every_s, ending), name="derivation", daemon=True)
        worker.start()
        try:
            yield
        finally:
            ending.set()
            subscriber.stop()
            worker.join()


def _schedule(store: Store, pool: ProcessPoolExecutor, every_s: float, ending: threading.Event) -> None:
    def elsewhere(window: Window) -> Derived:
        return pool.submit(derive, window).result()

    while True:
        try:
            done = derive_new(store, derive_window=elsewhere)
            sum_up_new(store)
            if done.n_units:
                log.info("derived %d readings of %d units", done.n_readings, done.n_units)
        except Exception:
            log.exception("derivation failed; trying again in %g s", every_s)
        if ending.wait(every_s):
            return
