"""What derivation reads (windows of what is new) and writes (runs, readings, alerts, the mark)."""

from collections.abc import Iterable
from datetime import datetime

import numpy as np
import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, GOVERNOR_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from airwatch.contract.columns import SAMPLE_SCHEMA, TIME
from airwatch.derive.frames import READINGS
from airwatch.store.changes import Change
from airwatch.store.database import Store
from airwatch.store.telemetry import unit_key

WINDOWS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "w_start": TIME,  # null: from the unit's first sample
        "w_end": TIME,  # null: to its last; else exclusive
        "n_samples": pl.Int64(),
    }
)
_SAMPLE_COLUMNS = ", ".join(f"s.{name}" for name in SAMPLE_SCHEMA if name not in ("fleet", "unit"))
_MOST_MS = 1 << 44  # five centuries: no window is longer
_INSIDE = "(w.w_start IS NULL OR {t} >= w.w_start) AND (w.w_end IS NULL OR {t} < w.w_end)"


# Where raw samples are no longer kept, derivation begins at the first run that still has all of its own (or, where no
# run is known yet, at the time since when they are kept); the readings of older runs stay as they are.
_KEPT = """
    SELECT m.fleet, m.unit, coalesce(min(r.run_start) FILTER (r.run_start >= s.t), any_value(s.t)) AS raw_start
    FROM (SELECT DISTINCT fleet, unit FROM air.messages) AS m CROSS JOIN air.raw_since AS s
    LEFT JOIN air.runs AS r ON r.fleet = m.fleet AND r.unit = m.unit
    GROUP BY ALL
"""


def mark(store: Store, job: str) -> int:
    """Give the last batch that ``job`` has taken in, 0 if none."""
    row = store.cursor.execute("SELECT max(batch) FROM air.derive_marks WHERE job = ?", [job]).fetchone()
    return int(row[0]) if row and row[0] is not None else 0


def newest_batch(store: Store) -> int:
    """Give the number of the newest commit, 0 if there is none."""
    row = store.cursor.execute("SELECT max(batch) FROM air.messages").fetchone()
    return int(row[0]) if row and row[0] is not None else 0


def windows(store: Store, *, after: int, upto: int) -> pl.DataFrame:
    """Give each unit that got something new in batches ``after < batch <= upto``, and the window to derive anew.

    The window is the time span of what is new, widened to whole runs and by one run on either side. For a unit that
    got events only, it is the runs around them.
    """
    return store.frame(
        f"""
        WITH kept AS ({_KEPT}), dirty AS (
            SELECT fleet, unit, min(t_first) AS d_start, max(t_last) AS d_end
            FROM air.messages
            WHERE batch > $after AND batch <= $upto AND n_new + n_filled > 0 AND t_first IS NOT NULL
            GROUP BY ALL
        ),
        numbered AS (
            SELECT r.fleet, r.unit, r.run_start, row_number() OVER (PARTITION BY r.fleet, r.unit ORDER BY r.run_start)
            AS k FROM air.runs AS r SEMI JOIN dirty USING (fleet, unit)
        ),
        spans AS (
            SELECT d.fleet, d.unit,
                max(n.k) FILTER (n.run_start <= d.d_start) - 1 AS k_start,
                min(n.k) FILTER (n.run_start > d.d_end) + 1 AS k_end
            FROM dirty AS d LEFT JOIN numbered AS n USING (fleet, unit)
            GROUP BY ALL
        ),
        bounds AS (
            SELECT p.fleet, p.unit, a.run_start AS w_start, b.run_start AS w_end
            FROM spans AS p
            LEFT JOIN numbered AS a ON a.fleet = p.fleet AND a.unit = p.unit AND a.k = p.k_start
            LEFT JOIN numbered AS b ON b.fleet = p.fleet AND b.unit = p.unit AND b.k = p.k_end
        )
        SELECT w.fleet, w.unit, greatest(w.w_start, k.raw_start) AS w_start, w.w_end,
            coalesce(sum(m.n_rows), 0)::BIGINT AS n_samples
        FROM bounds AS w
        LEFT JOIN kept AS k USING (fleet, unit)
        LEFT JOIN air.messages AS m ON m.fleet = w.fleet AND m.unit = w.unit AND m.stream IN ('pressure', 'can')
            AND (w.w_start IS NULL OR m.t_last >= w.w_start) AND (w.w_end IS NULL OR m.t_first < w.w_end)
        GROUP BY ALL
        ORDER BY w.fleet, w.unit
        """,
        {"after": after, "upto": upto},
    ).cast(WINDOWS)


def all_windows(store: Store) -> pl.DataFrame:
    """Give every unit that has anything, with an open window."""
    return store.frame(
        f"WITH kept AS ({_KEPT}) SELECT fleet, unit, any_value(k.raw_start) AS w_start, NULL::TIMESTAMP AS w_end,"
        " coalesce(sum(n_rows) FILTER (stream IN ('pressure', 'can')), 0)::BIGINT AS n_samples"
        " FROM air.messages LEFT JOIN kept AS k USING (fleet, unit) GROUP BY fleet, unit ORDER BY fleet, unit"
    ).cast(WINDOWS)


def read_window(store: Store, chosen: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Read samples of the chosen windows, governor events in them, and all trouble codes and lamps of their units.

    Returns
    -------
    dict of DataFrame
        ``samples`` sorted by ``fleet, unit, t``; ``governor_events, fault_reports, fault_codes, lamp_events``
        sorted by time.
    """
    return {"samples": read_samples(store, chosen), **read_events(store, chosen)}


def read_events(store: Store, chosen: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Read governor events in the chosen windows, and all trouble codes and lamps of their units, by time."""
    w = chosen
    governor = store.frame(
        "SELECT e.* FROM air.governor_events AS e JOIN w ON e.fleet = w.fleet AND e.unit = w.unit"
        f" WHERE {_INSIDE.format(t='e.t')} ORDER BY e.t",
        w=w,
    )
    reports = store.frame("SELECT e.* FROM air.fault_reports AS e SEMI JOIN w USING (fleet, unit) ORDER BY e.t", w=w)
    codes = store.frame("SELECT e.* FROM air.fault_codes AS e SEMI JOIN w USING (fleet, unit) ORDER BY e.t", w=w)
    lamps = store.frame("SELECT e.* FROM air.lamp_events AS e SEMI JOIN w USING (fleet, unit) ORDER BY e.t", w=w)
    return {
        "governor_events": governor.cast(GOVERNOR_SCHEMA),
        "fault_reports": reports.cast(REPORT_SCHEMA),
        "fault_codes": codes.cast(CODE_SCHEMA),
        "lamp_events": lamps.cast(LAMP_SCHEMA),
    }


def read_samples(store: Store, chosen: pl.DataFrame) -> pl.DataFrame:
    """Read the samples of windows, which are sorted by ``fleet, unit``; columns as `SAMPLE_SCHEMA`, sorted.

    Units go through the query and the sort as numbers: names for each sample would take longer than all the rest.
    """
    keys = [unit_key(fleet, unit) for fleet, unit in chosen.select("fleet", "unit").iter_rows()]
    w = chosen.with_columns(pl.Series("unit_key", keys, dtype=pl.Int64)).with_row_index("place")
    found = store.frame(
        f"SELECT w.place, {_SAMPLE_COLUMNS} FROM air.samples AS s JOIN w ON s.unit_key = w.unit_key"
        f" WHERE {_INSIDE.format(t='s.t')}",
        w=w,
    )
    since_first = (pl.col("t") - pl.col("t").min()).dt.total_milliseconds()
    order = found.select(pl.col("place").cast(pl.Int64) * _MOST_MS + since_first).to_series()
    if not order.is_sorted():  # stretches of each unit are: numpy's stable sort merges these
        found = found[np.argsort(order.to_numpy(), kind="stable")]
    names = (pl.lit(w[name]).gather(pl.col("place")).alias(name) for name in ("fleet", "unit"))
    return found.select(*names, pl.exclude("place")).select(SAMPLE_SCHEMA.keys()).cast(SAMPLE_SCHEMA)


def time_of_sample(store: Store, window: pl.DataFrame, n: int) -> datetime | None:
    """Give the time of the ``n``-th sample of one unit's window, counted from 0; None if it has no more than that."""
    key = unit_key(*window.select("fleet", "unit").row(0))
    row = store.cursor.execute(
        f"SELECT s.t FROM air.samples AS s, (SELECT $start::TIMESTAMP AS w_start, $end::TIMESTAMP AS w_end) AS w"
        f" WHERE s.unit_key = $key AND {_INSIDE.format(t='s.t')} ORDER BY s.t LIMIT 1 OFFSET $n",
        {"key": key, "n": n, "start": window["w_start"][0], "end": window["w_end"][0]},
    ).fetchone()
    return row[0] if row else None


def replace_windows(store: Store, chosen: pl.DataFrame, runs: pl.DataFrame, readings: pl.DataFrame) -> None:
    """Put the runs and readings of the chosen windows in place of what was there, in one transaction.

    So are the newest readings of these units, told from those that were and those that come: all readings are searched
    only of units of which a newest one goes and none as new comes for it.
    """
    inside = _INSIDE.format(t="o.run_start")
    of_windows = f"o.fleet = w.fleet AND o.unit = w.unit AND (o.run_start IS NULL OR ({inside}))"
    theirs = pl.concat([chosen.select("fleet", "unit"), readings.select("fleet", "unit")]).unique()
    with store.exclusive():
        before = store.frame(
            f"SELECT o.*, EXISTS (FROM w WHERE {of_windows}) AS goes"
            " FROM air.newest_readings AS o SEMI JOIN theirs USING (fleet, unit)",
            w=chosen,
            theirs=theirs,
        )
        stays, goes = (before.filter(goes=which).select(READINGS.keys()).cast(READINGS) for which in (False, True))
        newest = _newest(pl.concat([stays, readings]))
        searched = _without_successor(goes, newest)
        told = newest.join(searched, on=["fleet", "unit"], how="anti")
        with store.transaction(
            w=chosen, new_runs=runs, new_readings=readings, theirs=theirs, searched=searched, new_newest=told
        ) as write:
            write.execute(f"DELETE FROM air.runs AS o USING w WHERE o.fleet = w.fleet AND o.unit = w.unit AND {inside}")
            write.execute(f"DELETE FROM air.readings AS o USING w WHERE {of_windows}")
            write.execute("INSERT INTO air.runs BY NAME SELECT * FROM new_runs")
            write.execute("INSERT INTO air.readings BY NAME SELECT * FROM new_readings")
            write.execute(
                "DELETE FROM air.newest_readings AS o USING theirs AS t WHERE o.fleet = t.fleet AND o.unit = t.unit"
            )
            write.execute("INSERT INTO air.newest_readings BY NAME SELECT * FROM new_newest")
            if searched.height:
                write.execute(
                    "INSERT INTO air.newest_readings BY NAME"
                    " SELECT * FROM air.readings SEMI JOIN searched USING (fleet, unit)"
                    f" QUALIFY row_number() OVER (PARTITION BY {', '.join(map(_quoted, _KIND))}"
                    ' ORDER BY "end" DESC, "start" DESC) = 1'
                )
    store.tell(Change("results"))


_KIND = ("fleet", "unit", "check", "circuit", "test", "part")
"""What a newest reading is the newest of."""


def _quoted(name: str) -> str:
    return f'"{name}"'


def _newest(readings: pl.DataFrame) -> pl.DataFrame:
    """Keep the newest reading of each kind."""
    return readings.sort("end", "start", descending=True, maintain_order=True).unique(
        _KIND, keep="first", maintain_order=True
    )


def _without_successor(gone: pl.DataFrame, newest: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit`` of the units of which a newest reading goes, and what is left of its kind is older."""
    left = newest.select(*_KIND, left_end="end", left_start="start")
    is_as_new = (pl.col("left_end") > pl.col("end")) | (
        (pl.col("left_end") == pl.col("end")) & (pl.col("left_start") >= pl.col("start"))
    )
    return (
        gone.join(left, on=_KIND, how="left", nulls_equal=True)
        .filter(~is_as_new.fill_null(value=False))
        .select("fleet", "unit")
        .unique()
    )


def set_mark(store: Store, job: str, batch: int) -> None:
    """Remember that ``job`` has taken in everything up to ``batch``."""
    with store.transaction() as write:
        write.execute("DELETE FROM air.derive_marks WHERE job = ?", [job])
        write.execute("INSERT INTO air.derive_marks VALUES (?, ?)", [job, batch])


def readings(store: Store, units: pl.DataFrame | None = None) -> pl.DataFrame:
    """Give readings, of all units or of ``units`` (``fleet, unit``); columns as `airwatch.derive.frames.READINGS`."""
    names = ", ".join(f'"{name}"' for name in READINGS)
    order = 'ORDER BY fleet, unit, "start", "check", circuit'
    if units is None:
        return store.frame(f"SELECT {names} FROM air.readings {order}").cast(READINGS)
    wanted = units.select("fleet", "unit")
    sql = f"SELECT {names} FROM air.readings SEMI JOIN wanted USING (fleet, unit) {order}"
    return store.frame(sql, wanted=wanted).cast(READINGS)


def chunks(chosen: pl.DataFrame, *, most_samples: int) -> Iterable[pl.DataFrame]:
    """Split windows into groups of about ``most_samples`` samples, at least one unit each."""
    group = (chosen["n_samples"].cum_sum() - chosen["n_samples"]) // most_samples
    return chosen.with_columns(group=group).partition_by("group", maintain_order=True, include_key=False)
