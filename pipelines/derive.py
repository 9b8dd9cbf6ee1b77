"""Derivation of what is new: read windows, derive, replace, move the mark."""

from collections.abc import Callable
from dataclasses import dataclass

from airwatch.alerts.fold import fold_alerts
from airwatch.derive.facts import unit_facts
from airwatch.derive.readings import Derived, Window, derive
from airwatch.store import derivation as stored
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units

JOB = "readings"
SAMPLES_A_CHUNK = 1_000_000
"""Units are derived in groups of about so many samples, so that memory does not grow with the fleet."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """What one call did."""

    n_units: int
    n_samples: int
    n_readings: int


def derive_new(
    store: Store, *, everything: bool = False, derive_window: Callable[[Window], Derived] = derive
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
        for chunk in stored.chunks(chosen, most_samples=SAMPLES_A_CHUNK):
            window = Window(
                **stored.read_window(store, chunk), facts=facts.join(chunk, on=["fleet", "unit"], how="semi")
            )
            derived = derive_window(window)
            stored.replace_windows(store, chunk, derived.runs, derived.readings)
            stored.replace_alerts(store, chunk, fold_alerts(stored.readings(store, chunk)))
            n_samples += window.samples.height
            n_readings += derived.readings.height
    stored.set_mark(store, JOB, upto)
    return Derivation(chosen.height, n_samples, n_readings)
