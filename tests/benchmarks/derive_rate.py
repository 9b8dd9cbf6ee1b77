"""Derivation of all that a store has; run by other benchmarks as a process of its own."""

import json
import resource
import sys
import time
from pathlib import Path

import click

from airwatch.store.database import Store
from pipelines.derive import derive_new


def main() -> None:
    """Derive the store that the first argument names and print what it took."""
    db = Path(sys.argv[1])
    with Store.open(db) as store:
        began = time.perf_counter()
        done = derive_new(store, everything=True)
        seconds = time.perf_counter() - began
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    found = {"seconds": seconds, "samples": done.n_samples, "readings": done.n_readings, "peak_mb": peak_mb}
    click.echo(json.dumps(found))
