"""Alerts and their history in the store."""

from collections.abc import Sequence
from datetime import UTC, datetime
from hashlib import blake2b

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.lifecycle import HISTORY
from airwatch.alerts.peers import UNIT_DAYS
from airwatch.derive.frames import READINGS
from airwatch.store.changes import Change
from airwatch.store.database import Store


def towed(store: Store, units: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit, trailer``: who towed the trailers that one of the units towed, those units among them."""
    return store.frame(
        "WITH theirs AS (SELECT DISTINCT fleet, trailer FROM air.readings SEMI JOIN wanted USING (fleet, unit)"
        " WHERE trailer IS NOT NULL)"
        " SELECT DISTINCT fleet, unit, trailer FROM air.readings SEMI JOIN theirs USING (fleet, trailer) ORDER BY ALL",
        wanted=units.select("fleet", "unit"),
    ).cast({"fleet": pl.String, "unit": pl.String, "trailer": pl.String})


def unit_days(store: Store, units: pl.DataFrame, days: float, checks: Sequence[str]) -> pl.DataFrame:
    """Sum up readings of some units by day, of so many days up to the newest reading of all; columns as `UNIT_DAYS`.

    ``units`` has ``fleet, unit, kind, axles``.
    """
    return store.frame(
        f'WITH late AS (SELECT max("end") - to_seconds({round(days * 86400):d}) AS since FROM air.readings)'
        ' SELECT r.fleet, r.unit, u.kind, u.axles, r."check", r.circuit, CAST(r."end" AS DATE) AS day,'
        " median(r.value) AS level, count(DISTINCT r.run_start) AS n_runs"
        " FROM air.readings AS r JOIN wanted AS u ON u.fleet = r.fleet AND u.unit = r.unit"
        ' SEMI JOIN checks AS c ON c."check" = r."check"'
        ' WHERE r.value IS NOT NULL AND r."end" >= (SELECT since FROM late) GROUP BY ALL ORDER BY ALL',
        wanted=units.select("fleet", "unit", "kind", "axles"),
        checks=pl.DataFrame({"check": list(checks)}, schema={"check": pl.String}),
    ).cast(UNIT_DAYS)


def readings_of_late(
    store: Store, units: pl.DataFrame, days: float, checks: Sequence[str], noted: Sequence[str]
) -> pl.DataFrame:
    """Give the readings of some checks within so many days of each unit's newest; columns as `READINGS`, sorted.

    The notes, half of all text, come with readings of the ``noted`` checks only, ``test`` with none.
    """
    kept = {"test": "NULL", "note": "CASE WHEN is_noted THEN r.note END"}
    names = ", ".join(f'{kept.get(name, f"r.{chr(34)}{name}{chr(34)}")} AS "{name}"' for name in READINGS)
    found = store.frame(
        f'WITH newest AS (SELECT fleet, unit, max("end") - to_seconds({round(days * 86400):d}) AS since'
        " FROM air.readings SEMI JOIN wanted USING (fleet, unit) GROUP BY ALL)"
        f" SELECT {names} FROM air.readings AS r JOIN newest AS n ON n.fleet = r.fleet AND n.unit = r.unit"
        ' JOIN checks AS c ON c."check" = r."check" WHERE r."end" >= n.since',
        wanted=units.select("fleet", "unit"),
        checks=pl.DataFrame({"check": list(checks), "is_noted": [check in noted for check in checks]}),
    ).cast(READINGS)
    return found.sort("fleet", "unit", "start", "check", "circuit", "part", nulls_last=True)  # quicker here than there


def current_alerts(store: Store, units: pl.DataFrame, trailers: pl.DataFrame) -> pl.DataFrame:
    """Give the alerts of the units but for those of trailers, and those of the trailers; columns as `ALERTS`."""
    names = ", ".join(f"a.{name}" for name in ALERTS)
    return store.frame(
        f"SELECT {names} FROM air.alerts AS a SEMI JOIN u USING (fleet, unit)"
        " WHERE NOT (a.fault = 'leak_trailer' AND a.trailer IS NOT NULL)"
        f" UNION ALL SELECT {names} FROM air.alerts AS a SEMI JOIN t USING (fleet, trailer)"
        " WHERE a.fault = 'leak_trailer' ORDER BY fleet, unit, fault",
        u=units.select("fleet", "unit"),
        t=trailers,
    ).cast(ALERTS)


def alert_of(store: Store, alert: str) -> pl.DataFrame:
    """Give one alert by its id, no row if there is none; columns as `ALERTS`."""
    names = ", ".join(ALERTS)
    return store.frame(f"SELECT {names} FROM air.alerts WHERE id = $id", {"id": alert}).cast(ALERTS)


def alerts_of(store: Store, alerts: Sequence[str]) -> pl.DataFrame:
    """Give some alerts by their ids, those that are there; columns as `ALERTS`."""
    wanted = pl.DataFrame({"id": list(alerts)}, schema={"id": pl.String})
    names = ", ".join(f"a.{name}" for name in ALERTS)
    return store.frame(f"SELECT {names} FROM air.alerts AS a SEMI JOIN wanted USING (id)", wanted=wanted).cast(ALERTS)


def history_of(store: Store, alerts: Sequence[str]) -> pl.DataFrame:
    """Give the changes of some alerts in the order in which they were written; columns as `HISTORY`."""
    wanted = pl.DataFrame({"alert": list(alerts)}, schema={"alert": pl.String})
    names = ", ".join(f'h."{name}"' for name in HISTORY)
    return store.frame(
        f"SELECT {names} FROM air.alert_history AS h SEMI JOIN wanted USING (alert) ORDER BY h.recorded, h.event",
        wanted=wanted,
    ).cast(HISTORY)


def write_alerts(store: Store, before: pl.DataFrame, after: pl.DataFrame, changes: Sequence[dict[str, object]]) -> None:
    """Put ``after`` in place of ``before`` and add the changes, in one transaction.

    Parameters
    ----------
    store : Store
        The store to write.
    before, after : DataFrame
        Columns as `ALERTS`.
    changes : sequence of dict
        Rows of `HISTORY` without ``event`` and ``recorded``.
    """
    recorded = datetime.now(UTC).replace(tzinfo=None)
    rows = [{**change, "event": _event(change, recorded), "recorded": recorded} for change in changes]
    events = pl.DataFrame(rows, schema=HISTORY) if rows else pl.DataFrame(schema=HISTORY)
    with store.transaction(before=before.select("id"), new_alerts=after.select(ALERTS.keys()), events=events) as write:
        write.execute("DELETE FROM air.alerts AS a USING before AS b WHERE a.id = b.id")
        write.execute("INSERT INTO air.alerts BY NAME SELECT * FROM new_alerts")
        write.execute("INSERT INTO air.alert_history BY NAME SELECT * FROM events")
    if before.height or after.height:
        store.tell(Change("results"))


def _event(change: dict[str, object], recorded: datetime) -> str:
    """Give an id that no other change has: the same alert can't change twice in the same way at once."""
    text = f"{change['alert']}/{change['change']}/{change['at']}/{recorded.isoformat()}"
    return blake2b(text.encode(), digest_size=8).hexdigest()
