"""Keeping the store small: old samples rolled up, young ones rewritten in the order in which they are read."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from airwatch.store.changes import Change
from airwatch.store.database import Store

MEASURED = tuple(column.name for column in COLUMNS if not column.is_switch)
SWITCHES = tuple(column.name for column in COLUMNS if column.is_switch)
_COLUMNS = ", ".join(["unit_key", "t", "trailer", *COLUMN_NAMES])


@dataclass(frozen=True, slots=True)
class RolledUp:
    """What one call moved: raw samples gone, intervals written."""

    n_samples: int
    n_intervals: int


def raw_since(store: Store) -> datetime | None:
    """Give the time since when raw samples are kept; None while all are."""
    row = store.cursor.execute("SELECT max(t) FROM air.raw_since").fetchone()
    return row[0] if row else None


def roll_up(store: Store, *, before: datetime, interval_s: float) -> RolledUp:
    """Replace raw samples older than ``before`` by least, greatest and mean of each interval, in one transaction.

    Readings made from them stay: derivation no longer touches runs that begin before ``before``.

    Parameters
    ----------
    store : Store
        The store.
    before : datetime
        UTC without a zone.
    interval_s : float
        Length of an interval, seconds, at least 1.
    """
    kept = raw_since(store)
    edge = before if kept is None else max(before, kept)
    measured = ", ".join(f"min({c}) AS {c}_min, max({c}) AS {c}_max, avg({c}) AS {c}_mean" for c in MEASURED)
    switches = ", ".join(f"avg({c}) AS {c}_share" for c in SWITCHES)
    step_ms = max(1000, round(interval_s * 1000))
    with store.transaction() as write:
        intervals = write.execute(
            "INSERT INTO air.rollup BY NAME"
            f" SELECT unit_key, make_timestamp_ms(epoch_ms(t) // $step * $step)::TIMESTAMP_MS AS t,"
            f" $step / 1000 AS interval_s, count(*) AS n, max(trailer) AS trailer, {measured}, {switches}"
            " FROM air.samples WHERE t < $edge GROUP BY ALL",
            {"step": step_ms, "edge": edge},
        ).fetchone()
        samples = write.execute("DELETE FROM air.samples WHERE t < $edge", {"edge": edge}).fetchone()
        write.execute("DELETE FROM air.compacted WHERE hour < $edge", {"edge": edge})
        write.execute("DELETE FROM air.raw_since")
        write.execute("INSERT INTO air.raw_since VALUES ($edge)", {"edge": edge})
    store.tell(Change("samples"))
    return RolledUp(samples[0] if samples else 0, intervals[0] if intervals else 0)


def compact(store: Store, *, before: datetime) -> int:
    """Rewrite the samples of each full hour before ``before`` by unit and time; give how many were rewritten.

    Samples land as they arrive, units by turns. By unit and time they take less space, and a unit's history lies
    together. An hour is rewritten again when more of it has landed since. Each hour is a transaction of its own.
    """
    hours = store.cursor.execute(
        "SELECT s.hour, s.n FROM (SELECT date_trunc('hour', t::TIMESTAMP) AS hour, count(*) AS n FROM air.samples"
        " WHERE t < $before GROUP BY ALL) AS s LEFT JOIN air.compacted AS c USING (hour)"
        " WHERE c.n_samples IS NULL OR c.n_samples <> s.n ORDER BY s.hour",
        {"before": before},
    ).fetchall()
    n_samples = 0
    for hour, n in hours:
        inside = {"first": hour, "end": hour + timedelta(hours=1)}
        where = "WHERE t >= $first AND t < $end"
        with store.transaction() as write:
            write.execute(
                f"CREATE OR REPLACE TEMP TABLE new_order AS SELECT {_COLUMNS} FROM air.samples {where}", inside
            )
            write.execute(f"DELETE FROM air.samples {where}", inside)
            write.execute("INSERT INTO air.samples BY NAME SELECT * FROM new_order ORDER BY unit_key, t")
            write.execute("DROP TABLE new_order")
            write.execute("DELETE FROM air.compacted WHERE hour = $first", {"first": hour})
            write.execute("INSERT INTO air.compacted VALUES (?, ?)", [hour, n])
        n_samples += n
    if n_samples:
        store.checkpoint()
    return n_samples
