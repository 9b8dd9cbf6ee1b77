"""The registry as the store keeps it: the last one given."""

import polars as pl

from airwatch.registry import SCHEMA
from airwatch.store.changes import Change
from airwatch.store.database import Store


def replace_units(store: Store, units: pl.DataFrame) -> None:
    """Take ``units`` (columns as `airwatch.registry.SCHEMA`) as the whole registry.

    What was derived under another registry was judged by other facts, so a change makes the next derivation begin anew.
    """
    if current(store).equals(units.sort("fleet", "unit")):
        return
    with store.transaction(new_units=units) as write:
        write.execute("DELETE FROM air.derive_marks WHERE job <> 'heard'")  # what was heard, was heard
        write.execute("DELETE FROM air.units")
        write.execute("INSERT INTO air.units BY NAME SELECT * FROM new_units")
    store.tell(Change("results"))


def current(store: Store) -> pl.DataFrame:
    """Give the registry, columns as `airwatch.registry.SCHEMA`."""
    return store.frame(f"SELECT {', '.join(SCHEMA)} FROM air.units ORDER BY fleet, unit").cast(SCHEMA)
