"""What people wrote of units; rows are only added."""

from datetime import UTC, datetime
from hashlib import blake2b

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.errors import StoreError
from airwatch.store.changes import Change
from airwatch.store.database import Store

NOTES = pl.Schema(
    {
        "note": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "recorded": TIME,
        "who": pl.String(),
        "text": pl.String(),
        "corrects": pl.String(),
        "corrected_by": pl.String(),
    }
)
"""One row a note. ``corrects`` is the note that it takes the place of, ``corrected_by`` the one that took its place."""


def notes_of(store: Store, fleet: str, unit: str) -> pl.DataFrame:
    """Give the notes of one unit in the order in which they were written; columns as `NOTES`."""
    return store.frame(
        "SELECT n.note, n.fleet, n.unit, n.recorded, n.who, n.text, n.corrects, c.note AS corrected_by"
        " FROM air.unit_notes AS n LEFT JOIN air.unit_notes AS c ON c.corrects = n.note"
        " WHERE n.fleet = $fleet AND n.unit = $unit ORDER BY n.recorded, n.note",
        {"fleet": fleet, "unit": unit},
    ).cast(NOTES)


def add_note(store: Store, fleet: str, unit: str, *, who: str, text: str, corrects: str | None = None) -> str:
    """Add a note and give its name.

    Raises
    ------
    StoreError
        ``corrects`` is no note of this unit, or is corrected already.
    """
    recorded = datetime.now(UTC).replace(tzinfo=None)
    name = blake2b(f"{fleet}/{unit}/{who}/{text}/{recorded.isoformat()}".encode(), digest_size=8).hexdigest()
    with store.exclusive():
        if corrects is not None:
            found = notes_of(store, fleet, unit).filter(note=corrects)
            if found.is_empty():
                raise StoreError(f"note {corrects}: unit {unit} of fleet {fleet} has no such note")
            if (later := found["corrected_by"][0]) is not None:
                raise StoreError(f"note {corrects}: it is corrected already, by {later}; correct that one")
        with store.transaction() as write:
            write.execute(
                "INSERT INTO air.unit_notes VALUES (?, ?, ?, ?, ?, ?, ?)",
                [name, fleet, unit, recorded, who, text, corrects],
            )
    store.tell(Change("results"))
    return name
