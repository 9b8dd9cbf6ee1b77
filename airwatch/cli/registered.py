"""The unit registry that a command is given."""

from pathlib import Path

from airwatch.registry import read_units
from airwatch.store.database import Store
from airwatch.store.registry import replace_units


def take_units(store: Store, path: Path | None) -> None:
    """Read a registry into the store where one is given."""
    if path is not None:
        replace_units(store, read_units(path))
