"""The ledger as `airwatch.derive.data_quality` reads it, and what it makes of it."""

from datetime import date

import polars as pl

from airwatch.derive.data_quality import LEDGER, QUALITY
from airwatch.store.changes import Change
from airwatch.store.database import Store

CHANGED = pl.Schema({"fleet": pl.String(), "unit": pl.String(), "day": pl.Date()})
"""Units with new ledger rows, and the first day that any of those belongs to."""


def changed_days(store: Store, *, after: int, upto: int) -> pl.DataFrame:
    """Give the units with ledger rows in batches ``after < batch <= upto``; columns as `CHANGED`."""
    return store.frame(
        "SELECT fleet, unit, min(t_first)::DATE AS day FROM air.messages"
        " WHERE batch > $after AND batch <= $upto AND t_first IS NOT NULL GROUP BY ALL ORDER BY ALL",
        {"after": after, "upto": upto},
    ).cast(CHANGED)


def ledger_since(store: Store, changed: pl.DataFrame) -> pl.DataFrame:
    """Give the ledger rows of changed units from the day before on; columns as `LEDGER`."""
    names = ", ".join(f"m.{name}" for name in LEDGER)
    return store.frame(
        f"SELECT {names} FROM air.messages AS m JOIN c ON m.fleet = c.fleet AND m.unit = c.unit"
        " WHERE m.t_first >= c.day - INTERVAL 1 DAY",
        c=changed,
    ).cast(LEDGER)


def replace_quality(store: Store, changed: pl.DataFrame, quality: pl.DataFrame) -> None:
    """Put ``quality`` in place of what stands for the changed units from their first changed day on."""
    with store.transaction(c=changed, fresh=quality) as write:
        write.execute(
            "DELETE FROM air.data_quality AS q USING c WHERE q.fleet = c.fleet AND q.unit = c.unit AND q.day >= c.day"
        )
        write.execute(
            "INSERT INTO air.data_quality BY NAME"
            " SELECT f.* FROM fresh AS f JOIN c ON f.fleet = c.fleet AND f.unit = c.unit WHERE f.day >= c.day"
        )
    if changed.height:
        store.tell(Change("results"))


def newest_days(store: Store) -> pl.DataFrame:
    """Give the newest day of each unit and stream within two weeks of the newest of all; columns as `QUALITY`."""
    return store.frame(
        f"SELECT {', '.join(QUALITY)} FROM air.data_quality"
        " WHERE day >= (SELECT max(day) FROM air.data_quality) - 14"
        " QUALIFY row_number() OVER (PARTITION BY fleet, unit, stream ORDER BY day DESC) = 1"
        " ORDER BY fleet, unit, stream"
    ).cast(QUALITY)


def quality_of(
    store: Store, fleet: str | None = None, unit: str | None = None, since: date | None = None
) -> pl.DataFrame:
    """Give what came in, of one unit where it is named, from the day ``since`` on; columns as `QUALITY`."""
    return store.frame(
        f"SELECT {', '.join(QUALITY)} FROM air.data_quality"
        " WHERE ($fleet IS NULL OR fleet = $fleet) AND ($unit IS NULL OR unit = $unit)"
        " AND day >= coalesce($since, '0001-01-01'::DATE) ORDER BY fleet, unit, stream, day",
        {"fleet": fleet, "unit": unit, "since": since},
    ).cast(QUALITY)
