"""Hand measurements taken in: asked back or stored."""

from collections.abc import Collection
from datetime import UTC, datetime

import polars as pl

from airwatch.hand.compare import NEAR, USUAL, compare
from airwatch.hand.judge import judge_entries
from airwatch.hand.questions import Sifted, sift
from airwatch.store import hand as kept
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units


def take_entries(
    store: Store,
    entries: pl.DataFrame,
    *,
    confirmed: Collection[str] = (),
    who: str | None = None,
    now: datetime | None = None,
) -> Sifted:
    """Sift entries and store those that nothing is asked about.

    Parameters
    ----------
    store : Store
        The store to read and write.
    entries : DataFrame
        Columns as `airwatch.hand.frames.ENTRIES`.
    confirmed : collection of str
        Ids that are insisted on.
    who : str, optional
        Who enters them, where it is not who measured.
    now : datetime, optional
        UTC without a zone; the clock's where nothing is said.

    Returns
    -------
    Sifted
        What was stored, what was there already, and what is asked back.
    """
    with store.exclusive():
        before = kept.written_of(store, entries.select("fleet", "unit").unique(), entries["id"].to_list())
        now = now or datetime.now(UTC).replace(tzinfo=None)
        sifted = sift(entries, units=registered_units(store), before=before, now=now, confirmed=confirmed)
        kept.add_entries(store, sifted.accepted, who=who, confirmed=sifted.insisted)
    return sifted


def correct_entry(
    store: Store,
    replaced: str,
    entry: pl.DataFrame,
    *,
    who: str,
    why: str,
    is_confirmed: bool = False,
    now: datetime | None = None,
) -> Sifted:
    """Sift one entry and put it in the place of another; nothing is changed where something is asked about it.

    Raises
    ------
    HandError
        Who or why is missing, or ``replaced`` is not there or has been replaced already.
    """
    confirmed = entry["id"].to_list() if is_confirmed else []
    with store.exclusive():
        ids = entry["id"].to_list()
        before = kept.written_of(store, entry.select("fleet", "unit"), ids).filter(pl.col("id") != replaced)
        now = now or datetime.now(UTC).replace(tzinfo=None)
        sifted = sift(entry, units=registered_units(store), before=before, now=now, confirmed=confirmed)
        if not sifted.accepted.is_empty():
            kept.correct_entry(store, replaced, entry, who=who, why=why, is_confirmed=bool(sifted.insisted))
    return sifted


def compare_with_stream(
    store: Store, fleet: str | None = None, unit: str | None = None, *, since: datetime | None = None
) -> pl.DataFrame:
    """Hold the tests by hand that are stored against the stream; columns as `airwatch.hand.compare.COMPARED`.

    Parameters
    ----------
    store : Store
        The store to read.
    fleet, unit : str, optional
        Only of these; of all where nothing is said.
    since : datetime, optional
        Only tests taken since, UTC without a zone.
    """
    judged = judge_entries(kept.entries_of(store, fleet, unit, since=since), registered_units(store))
    tests = judged.filter(pl.col("check").is_not_null())
    return compare(judged, kept.readings_beside(store, tests, days=(USUAL + NEAR).total_seconds() / 86400.0))


def fleets_of_units(store: Store, fleet: str | None) -> dict[str, str]:
    """Give unit to fleet: of one fleet where it is named, else of units whose name is in one fleet only."""
    known = registered_units(store).select("fleet", "unit")
    if fleet is not None:
        known = known.filter(pl.col("fleet") == fleet)
    alone = known.filter(pl.len().over("unit") == 1)
    return dict(alone.select("unit", "fleet").iter_rows())
