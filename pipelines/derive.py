"""Derivation of what is new: read windows, derive, replace, move the mark."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

from airwatch.derive.facts import unit_facts
from airwatch.derive.readings import Derived, Window, derive
from airwatch.store import derivation as stored
from airwatch.store.database import Store
from airwatch.store.heard import JOB as HEARD
from airwatch.store.heard import sum_up_heard
from airwatch.store.registry import current as registered_units
from pipelines.alerts import refresh_alerts

JOB = "readings"
SAMPLES_A_CHUNK = 1_000_000
"""Units are derived in groups of about so many samples, a unit with many more in parts, so that memory is bounded."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """What one call did."""

    n_units: int
    n_samples: int
    n_readings: int


def derive_new(
    store: Store,
    *,
    everything: bool = False,
    derive_window: Callable[[Window], Derived] = derive,
    samples_a_chunk: int = SAMPLES_A_CHUNK,
) -> Derivation:
    """Derive what has landed since the last call, or everything.

    Parameters
    ----------
    store : Store
        The store to read and write.
    everything : bool
        Derive all units from their first sample on.
    derive_window : callable
        How a window is derived: here, or in another process.
    samples_a_chunk : int
        About how many samples are held at a time.

    Returns
    -------
    Derivation
        How many units, samples and readings it dealt with.
    """
    upto = stored.newest_batch(store)
    after = stored.mark(store, JOB)
    chosen = stored.all_windows(store) if everything else stored.windows(store, after=after, upto=upto)
    n_samples = n_readings = 0
    if chosen.height:
        facts = unit_facts(chosen, registered_units(store))
        for chunk in stored.chunks(chosen, most_samples=samples_a_chunk):
            known = facts.join(chunk, on=["fleet", "unit"], how="semi")
            for n_read, n_found in _derive_chunk(store, chunk, known, derive_window, samples_a_chunk):
                n_samples += n_read
                n_readings += n_found
        refresh_alerts(store, chosen)
    stored.set_mark(store, JOB, upto)
    if upto > stored.mark(store, HEARD):
        sum_up_heard(store, upto)
    return Derivation(chosen.height, n_samples, n_readings)


def _derive_chunk(
    store: Store, chunk: pl.DataFrame, facts: pl.DataFrame, derive_window: Callable[[Window], Derived], most: int
) -> Iterator[tuple[int, int]]:
    """Derive a chunk, one unit with many samples in parts; give the samples and readings of each.

    A part ends anywhere. Its last run is incomplete, so it is left to the next part, which begins with it.
    """
    cut = stored.time_of_sample(store, chunk, most) if chunk.height == 1 else None
    while cut is not None:
        window = Window(**stored.read_window(store, chunk.with_columns(w_end=pl.lit(cut))), facts=facts)
        derived = derive_window(window)
        last = derived.runs["run_start"].max()
        is_done = pl.col("run_start") < last
        runs = derived.runs.filter(is_done)
        if runs.is_empty():  # a run longer than a part: the rest at once
            break
        readings = derived.readings.filter(is_done.fill_null(value=True))
        stored.replace_windows(store, chunk.with_columns(w_end=pl.lit(last)), runs, readings)
        yield int(runs["n_samples"].sum()), readings.height
        chunk = chunk.with_columns(w_start=pl.lit(last))
        cut = stored.time_of_sample(store, chunk, most)
    window = Window(**stored.read_window(store, chunk), facts=facts)
    derived = derive_window(window)
    stored.replace_windows(store, chunk, derived.runs, derived.readings)
    yield window.samples.height, derived.readings.height
