"""How a decoding process begins: it says how many threads Polars may have before anything imports Polars.

Several processes decode side by side, or one beside what writes: more threads in each would only take memory and turns.
"""

import os
import socket
from importlib import import_module


def begin(line: socket.socket, module: str, function: str, root: str) -> None:
    """Answer what comes over ``line`` with a function, which is looked up by name."""
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    work = import_module("airwatch.landing.worker").work
    work(line, getattr(import_module(module), function), root)
