"""Hand measurements in the store: added, corrected, never lost."""

from collections.abc import Collection, Sequence
from datetime import datetime

import polars as pl

from airwatch.derive.frames import READINGS
from airwatch.errors import HandError
from airwatch.hand.frames import ENTRIES
from airwatch.store.corrections import CORRECTABLE, add, correct, holds
from airwatch.store.database import Store

STORED = pl.Schema({**ENTRIES, "is_confirmed": pl.Boolean(), **CORRECTABLE})
"""An entry with when it was written down, what it replaces, by whom and why."""

_NAMES = ", ".join(f'h."{name}"' for name in ENTRIES)
_STORED_NAMES = ", ".join(f'h."{name}"' for name in STORED)


def add_entries(store: Store, entries: pl.DataFrame, *, who: str | None = None, confirmed: Collection[str] = ()) -> int:
    """Add entries (columns as `ENTRIES`), each id once.

    Parameters
    ----------
    store : Store
        The store to write.
    entries : DataFrame
        What `airwatch.hand.questions.sift` accepted.
    who : str, optional
        Who enters them, where it is not who measured.
    confirmed : collection of str
        Ids of those that were asked back and that somebody insisted on.

    Returns
    -------
    int
        How many were new.
    """
    rows = entries.select(ENTRIES.keys()).with_columns(
        is_confirmed=pl.col("id").is_in(list(confirmed)),
        replaces=pl.lit(None, pl.String),
        who=pl.col("by") if who is None else pl.lit(who),
        reason=pl.lit(None, pl.String),
        is_void=pl.lit(value=False),
    )
    return add(store, "hand_entries", rows)


def correct_entry(
    store: Store, replaced: str, entry: pl.DataFrame, *, who: str, why: str, is_confirmed: bool = False
) -> None:
    """Put one entry (a row as `ENTRIES`, with an id of its own) in the place of another, which stays in the history.

    Raises
    ------
    HandError
        Who or why is missing, or ``replaced`` is not there or has been replaced already.
    """
    _replace(store, entry, replaced, who, why, is_confirmed=is_confirmed, is_void=False)


def take_back(store: Store, replaced: str, *, new_id: str, who: str, why: str) -> None:
    """Say that an entry should not have been made; it stays in the history.

    Raises
    ------
    HandError
        As for `correct_entry`.
    """
    old = store.frame(f"SELECT {_NAMES} FROM air.hand_entries AS h WHERE h.id = $id", {"id": replaced}).cast(ENTRIES)
    if old.is_empty():
        raise HandError(f"correction of {replaced}: there is no such row; check the id")
    _replace(store, old.with_columns(id=pl.lit(new_id)), replaced, who, why, is_confirmed=False, is_void=True)


def _replace(
    store: Store, entry: pl.DataFrame, replaced: str, who: str, why: str, *, is_confirmed: bool, is_void: bool
) -> None:
    row = entry.select(ENTRIES.keys()).with_columns(
        is_confirmed=pl.lit(is_confirmed), replaces=pl.lit(replaced), who=pl.lit(who), reason=pl.lit(why),
        is_void=pl.lit(is_void),
    )  # fmt: skip
    correct(store, "hand_entries", row, HandError)


def entries_of(
    store: Store, fleet: str | None = None, unit: str | None = None, *, since: datetime | None = None
) -> pl.DataFrame:
    """Give the entries that hold, oldest first; columns as `ENTRIES`."""
    return store.frame(
        f"SELECT {_NAMES} FROM air.hand_entries AS h WHERE {holds('hand_entries')}"
        " AND ($fleet IS NULL OR h.fleet = $fleet) AND ($unit IS NULL OR h.unit = $unit)"
        " AND ($since IS NULL OR h.taken_at >= $since) ORDER BY h.taken_at, h.id",
        {"fleet": fleet, "unit": unit, "since": since},
    ).cast(ENTRIES)


def rows_of_unit(store: Store, fleet: str, unit: str) -> pl.DataFrame:
    """Give all that was ever written down of a unit, replaced and taken back included, in the order of writing.

    Columns as `STORED`.
    """
    return store.frame(
        f"SELECT {_STORED_NAMES} FROM air.hand_entries AS h WHERE h.fleet = $fleet AND h.unit = $unit"
        " ORDER BY h.recorded, h.id",
        {"fleet": fleet, "unit": unit},
    ).cast(STORED)


def written_of(store: Store, units: pl.DataFrame, ids: Sequence[str]) -> pl.DataFrame:
    """Give the entries that new ones are held against: those of the units that hold, and any of these ids.

    ``units`` has ``fleet, unit``. Columns as `ENTRIES`.
    """
    return store.frame(
        f"SELECT {_NAMES} FROM air.hand_entries AS h WHERE {holds('hand_entries')}"
        " AND (h.fleet, h.unit) IN (SELECT (fleet, unit) FROM wanted)"
        f" UNION SELECT {_NAMES} FROM air.hand_entries AS h SEMI JOIN ids USING (id) ORDER BY taken_at, id",
        wanted=units.select("fleet", "unit"),
        ids=pl.DataFrame({"id": list(ids)}, schema={"id": pl.String}),
    ).cast(ENTRIES)


def readings_beside(store: Store, tests: pl.DataFrame, *, days: float) -> pl.DataFrame:
    """Give the readings that tests by hand are held against.

    Parameters
    ----------
    store : Store
        The store to read.
    tests : DataFrame
        ``fleet, unit, check, taken_at``.
    days : float
        How long before each test readings are wanted; and up to a day after it.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.READINGS`, by unit and time.
    """
    names = ", ".join(f'r."{name}"' for name in READINGS)
    return store.frame(
        f"SELECT {names} FROM air.readings AS r WHERE EXISTS (SELECT 1 FROM tests AS t WHERE t.fleet = r.fleet"
        ' AND t.unit = r.unit AND t."check" = r."check" AND r."end" >= t.taken_at - to_seconds($before)'
        ' AND r."start" <= t.taken_at + to_seconds(86400)) ORDER BY r.fleet, r.unit, r."start", r."check", r.circuit',
        {"before": round(days * 86400)},
        tests=tests.select("fleet", "unit", "check", "taken_at"),
    ).cast(READINGS)


def history_of_entry(store: Store, entry: str) -> pl.DataFrame:
    """Give an entry with all that it replaced and all that replaced it, in the order in which they were written.

    Columns as `STORED`; no row where there is no such entry.
    """
    return store.frame(
        "WITH RECURSIVE back AS (SELECT id, replaces FROM air.hand_entries WHERE id = $id"
        " UNION SELECT o.id, o.replaces FROM air.hand_entries AS o JOIN back AS b ON o.id = b.replaces),"
        " chain AS (SELECT id FROM back UNION"
        " SELECT n.id FROM air.hand_entries AS n JOIN chain AS c ON n.replaces = c.id)"
        f" SELECT {_STORED_NAMES} FROM air.hand_entries AS h SEMI JOIN chain USING (id) ORDER BY h.recorded, h.id",
        {"id": entry},
    ).cast(STORED)
