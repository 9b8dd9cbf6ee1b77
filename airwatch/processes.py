"""Worker processes that end with the process that started them, however that ends."""

import os
import threading
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context, parent_process


def worker_pool(n: int, *, nice: int = 0) -> ProcessPoolExecutor:
    """Make a pool of ``n`` fresh processes, ``nice`` steps behind the others.

    A worker of the standard pool waits for work for ever if its parent is killed; these end.
    """
    return ProcessPoolExecutor(n, mp_context=get_context("spawn"), initializer=_begin, initargs=(nice,))


def _begin(nice: int) -> None:
    os.nice(nice)
    threading.Thread(target=_end_with_parent, name="end with parent", daemon=True).start()


def _end_with_parent() -> None:
    if (parent := parent_process()) is not None:
        parent.join()
        os._exit(1)
