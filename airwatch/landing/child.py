"""Decoding processes: how one is started and how it begins.

Nothing heavy is imported here: whoever starts one goes on with its own imports while the process does its own, and how
many threads libraries may have is said before anything imports them. Several processes decode side by side, or one
beside what writes: more threads in each would only take memory and turns.
"""

import gc
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module

DECODE_RECORDED = ("airwatch.landing.recorded", "decode_sent")
"""What decodes recordings: module and function."""

_ONE_THREAD = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS")
# What decodes recordings needs the same memory for each part. Giving it back in between costs a sixth of the work, as
# each page is cleared and mapped anew. Only the GNU C library knows these names (mallopt(3)); bytes.
_KEEP_MEMORY = ("MALLOC_MMAP_THRESHOLD_", "MALLOC_TRIM_THRESHOLD_")
_KEPT_BYTES = 1_000_000_000
_GIVING_WAY = 5  # of niceness: where all cores are busy, whoever writes what several decode must not wait for one
_BEGIN = (
    "import sys; sys.path[:] = sys.argv.pop(1).splitlines();"
    " from airwatch.landing.child import begin; begin(*sys.argv[1:])"
)
_OBJECTS_BETWEEN_COLLECTIONS = 100_000  # a group is many long-lived tuples and no cycles; looking at them is wasted


@contextmanager
def heavy_imports() -> Iterator[None]:
    """Import what the process then works with; what it is made of is not looked at for garbage, now or later."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.set_threshold(_OBJECTS_BETWEEN_COLLECTIONS)
        gc.enable()


@dataclass(frozen=True, slots=True)
class Started:
    """A process that was started, and the line to it."""

    process: subprocess.Popen[bytes]
    line: socket.socket

    def close(self) -> None:
        """End the process."""
        self.line.close()
        self.process.wait()


def start(module: str, function: str, root: str, *, is_sharing: bool = False) -> Started:
    """Start a process that answers with a function; see `airwatch.landing.worker`."""
    near, far = socket.socketpair()
    kept = dict.fromkeys(_KEEP_MEMORY, str(_KEPT_BYTES)) if is_sharing else {}
    with far:
        options = [str(far.fileno()), module, function, root, "shared" if is_sharing else "sent"]
        process = subprocess.Popen(  # noqa: S603 this program, with names that it chose
            [sys.executable, "-c", _BEGIN, "\n".join(sys.path), *options],
            pass_fds=[far.fileno()],
            env={**dict.fromkeys(_ONE_THREAD, "1"), **kept, **os.environ},
        )
    return Started(process, near)


def begin(file: str, module: str, function: str, root: str, how: str) -> None:
    """Answer what comes over a line with a function, which is looked up by name."""
    is_sharing = how == "shared"
    if is_sharing:
        os.nice(_GIVING_WAY)
    with heavy_imports():
        work = import_module("airwatch.landing.worker").work
        decode = getattr(import_module(module), function)
    work(socket.socket(fileno=int(file)), decode, root, is_sharing=is_sharing)
