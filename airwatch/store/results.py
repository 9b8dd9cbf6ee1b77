"""What pages and commands read: units, newest readings, alerts, histories, counts."""

from datetime import datetime

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.contract.columns import TIME
from airwatch.derive.frames import READINGS
from airwatch.store.database import Store
from airwatch.store.heard import EVERY_BATCH, HEARD_SQL
from airwatch.store.telemetry import unit_key

_READING_NAMES = ", ".join(f'"{name}"' for name in READINGS)
_TANKS = ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa")


def count_units(store: Store) -> int:
    """Give the number of units that are registered or have sent something."""
    row = store.cursor.execute(
        "SELECT count(*) FROM (SELECT fleet, unit FROM air.units WHERE kind <> 'trailer'"
        " UNION SELECT fleet, unit FROM air.messages)"
    ).fetchone()
    return int(row[0]) if row else 0


def power_units(store: Store) -> pl.DataFrame:
    """Give ``fleet, unit`` of all that sent something and is not registered as a trailer."""
    return store.frame(
        "SELECT DISTINCT fleet, unit FROM air.messages ANTI JOIN"
        " (SELECT fleet, unit FROM air.units WHERE kind = 'trailer') USING (fleet, unit) ORDER BY fleet, unit"
    )


def recorded_span(store: Store) -> tuple[datetime, datetime] | None:
    """Give the first and last data time of all messages, None if there are none."""
    row = store.cursor.execute("SELECT min(t_first), max(t_last) FROM air.messages").fetchone()
    return (row[0], row[1]) if row and row[0] is not None else None


def alerts(store: Store, fleet: str | None = None, unit: str | None = None) -> pl.DataFrame:
    """Give alerts, of one unit where it is named; columns as `airwatch.alerts.fold.ALERTS`."""
    return store.frame(
        f"SELECT {', '.join(ALERTS)} FROM air.alerts"
        " WHERE ($fleet IS NULL OR fleet = $fleet) AND ($unit IS NULL OR unit = $unit) ORDER BY fleet, unit, fault",
        {"fleet": fleet, "unit": unit},
    ).cast(ALERTS)


def unit_states(store: Store) -> pl.DataFrame:
    """Give one row for each unit, registered or heard of.

    Returns
    -------
    DataFrame
        ``fleet, unit, kind, home_shop`` (null where not registered), ``last_t`` newest data time, ``last_received``,
        ``n_messages``, and how many of the newest readings of each check, circuit, test and part have each verdict:
        ``n_fail, n_watch, n_unknown, n_pass``.
    """
    return store.frame(
        f"""
        WITH heard AS ({HEARD_SQL}),
        counted AS (
            SELECT fleet, unit,
                count(*) FILTER (verdict = 'fail') AS n_fail, count(*) FILTER (verdict = 'watch') AS n_watch,
                count(*) FILTER (verdict = 'unknown') AS n_unknown, count(*) FILTER (verdict = 'pass') AS n_pass
            FROM air.newest_readings GROUP BY ALL
        )
        SELECT coalesce(h.fleet, u.fleet) AS fleet, coalesce(h.unit, u.unit) AS unit, u.kind, u.home_shop,
            h.last_t, h.last_received, coalesce(h.n_messages, 0) AS n_messages,
            coalesce(c.n_fail, 0) AS n_fail, coalesce(c.n_watch, 0) AS n_watch,
            coalesce(c.n_unknown, 0) AS n_unknown, coalesce(c.n_pass, 0) AS n_pass
        FROM heard AS h
        FULL JOIN (SELECT * FROM air.units WHERE kind <> 'trailer') AS u ON u.fleet = h.fleet AND u.unit = h.unit
        LEFT JOIN counted AS c ON c.fleet = h.fleet AND c.unit = h.unit
        ORDER BY 1, 2
        """,
        {"upto": EVERY_BATCH},
    )


def readings_of(store: Store, fleet: str, unit: str, check: str | None = None) -> pl.DataFrame:
    """Give the readings of one unit, of one check where it is named, by time; columns as `derive.frames.READINGS`."""
    return store.frame(
        f"SELECT {_READING_NAMES} FROM air.readings WHERE fleet = $fleet AND unit = $unit"
        ' AND ($check IS NULL OR "check" = $check) ORDER BY "start", "check", circuit',
        {"fleet": fleet, "unit": unit, "check": check},
    ).cast(READINGS)


def newest_readings(store: Store, fleet: str | None = None, unit: str | None = None) -> pl.DataFrame:
    """Give the newest reading of each check, circuit, test and part, of one unit where it is named.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.READINGS`, sorted by unit, check, circuit, test and part.
    """
    return store.frame(
        f"SELECT {_READING_NAMES} FROM air.newest_readings"
        " WHERE ($fleet IS NULL OR fleet = $fleet) AND ($unit IS NULL OR unit = $unit)"
        ' ORDER BY fleet, unit, "check", circuit, test, part',
        {"fleet": fleet, "unit": unit},
    ).cast(READINGS)


def sample_span(store: Store, fleet: str, unit: str) -> tuple[datetime, datetime] | None:
    """Give the first and last data time of one unit's samples, None if there are none."""
    row = store.cursor.execute(
        "SELECT min(t), max(t) FROM air.samples WHERE unit_key = ?", [unit_key(fleet, unit)]
    ).fetchone()
    return (row[0], row[1]) if row and row[0] is not None else None


def pressure_history(
    store: Store, fleet: str, unit: str, *, start: datetime, end: datetime, most_points: int = 2000
) -> pl.DataFrame:
    """Give one unit's pressures between two times, thinned so that every peak and dip stays visible.

    Each of ``most_points / 2`` equal intervals gives its least and its greatest value of each tank; where there are
    no more samples than points, they come as they are. Of a time whose raw samples are no longer kept it is the least
    and the greatest of each rolled-up interval.

    Returns
    -------
    DataFrame, sorted by ``t``
        ``t`` (UTC), ``supply_kpa, primary_kpa, secondary_kpa, trailer_kpa, engine_rpm, speed_kph`` (the last two the
        greatest of the interval).
    """
    keys = {"key": unit_key(fleet, unit), "start": start, "end": end}
    names = [*_TANKS, "engine_rpm", "speed_kph"]
    # times of the same kind as the column's: else each is converted, and no part of the table can be skipped
    within = "WHERE unit_key = $key AND t >= $start::TIMESTAMP_MS AND t <= $end::TIMESTAMP_MS"
    old = [", ".join(f"{name}_{end} AS {name}" for name in names) for end in ("min", "max")]
    inside = (
        f"FROM (SELECT t, {', '.join(names)} FROM air.samples {within}"
        f" UNION ALL SELECT t, {old[0]} FROM air.rollup {within}"
        f" UNION ALL SELECT t, {old[1]} FROM air.rollup {within})"
    )
    counted = store.cursor.execute(f"SELECT count(*) {inside}", keys).fetchone()
    if counted is None or counted[0] <= most_points:
        return store.frame(f"SELECT t, {', '.join(names)} {inside} ORDER BY t", keys).cast({"t": TIME})
    step_us = max(1, int((end - start).total_seconds() * 1e6 / max(1, most_points // 2)))
    least = ", ".join(f"min({name}) AS {name}" if name in _TANKS else f"max({name}) AS {name}" for name in names)
    most = ", ".join(f"max({name}) AS {name}" for name in names)
    bucket = "epoch_us(t::TIMESTAMP) // $step_us"
    return store.frame(
        f"SELECT min(t) AS t, {least} {inside} GROUP BY {bucket}"
        f" UNION ALL SELECT max(t) AS t, {most} {inside} GROUP BY {bucket} ORDER BY t",
        {**keys, "step_us": step_us},
    ).cast({"t": TIME})


def newest_sample(store: Store) -> datetime | None:
    """Give the newest data time of any sample; None if there is none."""
    row = store.cursor.execute("SELECT max(t)::TIMESTAMP FROM air.samples").fetchone()
    return row[0] if row else None


def landing_counts(store: Store) -> dict[str, int]:
    """Give how many messages, samples, repeated rows and rejects the store has."""
    row = store.cursor.execute(
        "SELECT coalesce(sum(n_messages), 0), coalesce(sum(n_rows), 0), coalesce(sum(n_rows - n_new), 0),"
        " coalesce(sum(n_conflicting), 0), coalesce(sum(n_out_of_range), 0),"
        f" (SELECT count(*) FROM air.rejects), (SELECT count(*) FROM air.samples) FROM ({HEARD_SQL})",
        {"upto": EVERY_BATCH},
    ).fetchone()
    names = ("messages", "rows", "repeated", "conflicting", "out_of_range", "rejects", "samples")
    return dict(zip(names, map(int, row or (0,) * len(names)), strict=True))


def unit_of(store: Store, fleet: str, unit: str) -> dict[str, object] | None:
    """Give the registry's row of one unit, None if it is not registered."""
    frame = store.frame("SELECT * FROM air.units WHERE fleet = $fleet AND unit = $unit", {"fleet": fleet, "unit": unit})
    return frame.row(0, named=True) if frame.height else None


def is_known(store: Store, fleet: str, unit: str) -> bool:
    """Tell whether a unit is registered or has sent something."""
    row = store.cursor.execute(
        "SELECT EXISTS (FROM air.units WHERE fleet = $fleet AND unit = $unit)"
        " OR EXISTS (FROM air.heard WHERE fleet = $fleet AND unit = $unit)"
        " OR EXISTS (FROM air.messages WHERE fleet = $fleet AND unit = $unit"
        " AND batch > coalesce((SELECT max(batch) FROM air.derive_marks WHERE job = 'heard'), 0))",
        {"fleet": fleet, "unit": unit},
    ).fetchone()
    return row is not None and bool(row[0])


def count_samples(store: Store, fleet: str, unit: str, *, start: datetime, end: datetime) -> int:
    """Give the number of one unit's samples between two times, both counted in."""
    row = store.cursor.execute(
        "SELECT count(*) FROM air.samples WHERE unit_key = ? AND t >= ?::TIMESTAMP_MS AND t <= ?::TIMESTAMP_MS",
        [unit_key(fleet, unit), start, end],
    ).fetchone()
    return int(row[0]) if row else 0


def rejects(store: Store, *, page: int, size: int) -> tuple[pl.DataFrame, int]:
    """Give one page of the messages set aside (``received, topic, reason``, newest first), and how many there are."""
    count = store.cursor.execute("SELECT count(*) FROM air.rejects").fetchone()
    found = store.frame(
        "SELECT received, topic, reason FROM air.rejects ORDER BY received DESC, topic LIMIT $size OFFSET $skipped",
        {"size": size, "skipped": (page - 1) * size},
    )
    return found.cast({"received": TIME}), int(count[0]) if count else 0
