"""Keeping the store small: young samples in order, old ones rolled up."""

from dataclasses import dataclass
from datetime import timedelta

from airwatch.store.database import Store
from airwatch.store.results import newest_sample
from airwatch.store.retention import RolledUp, compact, roll_up

_SETTLED = timedelta(hours=6)  # most late blocks have come by then, so that few hours are rewritten twice


@dataclass(frozen=True, slots=True)
class Tidied:
    """What one call did."""

    n_compacted: int
    rolled_up: RolledUp


def tidy(store: Store, *, keep_days: float, interval_s: float) -> Tidied:
    """Roll up samples older than ``keep_days`` before the newest, and put the rest in order.

    Age is counted in data time, from the newest sample in the store: a recording that is landed late is not thrown
    away.
    """
    newest = newest_sample(store)
    if newest is None:
        return Tidied(0, RolledUp(0, 0))
    rolled = roll_up(store, before=newest - timedelta(days=keep_days), interval_s=interval_s)
    return Tidied(compact(store, before=newest - _SETTLED), rolled)
