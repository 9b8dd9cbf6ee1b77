"""Keeping the record of what came in up to date."""

from airwatch.derive.data_quality import data_quality
from airwatch.store import derivation as stored
from airwatch.store.database import Store
from airwatch.store.quality import changed_days, ledger_since, replace_quality

JOB = "quality"


def sum_up_new(store: Store) -> int:
    """Sum up ledger rows that came since the last call; give how many unit-days were written anew."""
    upto = stored.newest_batch(store)
    changed = changed_days(store, after=stored.mark(store, JOB), upto=upto)
    quality = data_quality(ledger_since(store, changed))
    replace_quality(store, changed, quality)
    stored.set_mark(store, JOB, upto)
    return quality.height
