"""Changes of alerts as whoever is told of them needs them, and what became of each."""

import polars as pl

from airwatch.notify.frames import EVENTS, OUTBOX
from airwatch.store.database import Store

_DAYS = 90
"""Older changes are not told any more: nobody acts on them, and looking through them would take ever longer."""


def events_to_tell(store: Store, link: str) -> pl.DataFrame:
    """Give the changes of alerts written down of late, in that order; columns as `EVENTS`.

    Planned and done work orders are changes of their alerts; begun and cancelled ones are told here beside them.

    Changes of an alert that is silenced just now wait for the end of the silence. ``link`` is where the pages are
    served, without a slash at its end.
    """
    return (
        store.frame(
            """
        WITH quiet AS (
            SELECT alert, max(until) AS until FROM air.alert_history WHERE change = 'silenced' GROUP BY alert
        ),
        told AS (
            SELECT *, lag(severity) OVER (PARTITION BY alert ORDER BY recorded, event) AS previous
            FROM air.alert_history
            WHERE change NOT IN ('acknowledged', 'noted', 'silenced', 'explained')
        )
        SELECT * FROM (
        SELECT h.recorded, h.event AS event_id, h.alert AS alert_id,
            h."at", h.change AS kind, h.fleet, h.unit, h.trailer, h.fault,
            a.circuit, h.severity, h.previous AS previous_severity, h.reason AS summary, a.crossing_likely,
            $link || '/alerts/' || h.alert AS link
        FROM told AS h LEFT JOIN air.alerts AS a ON a.id = h.alert LEFT JOIN quiet AS q ON q.alert = h.alert
        WHERE coalesce(q.until <= now()::TIMESTAMP, true)
        UNION ALL
        SELECT o.recorded, o.work_order || '-' || o."sequence" || '-' || o.job AS event_id, o.job AS alert_id, o."at",
            o.change AS kind, o.fleet, coalesce(a.unit, o.vehicle) AS unit, a.trailer, a.fault, a.circuit, a.severity,
            a.severity AS previous_severity, o.bay || ', work order ' || o.work_order || ': ' || o.reason AS summary,
            a.crossing_likely, $link || '/alerts/' || o.job AS link
        FROM (SELECT *, unnest(jobs) AS job FROM air.work_order_changes WHERE change IN ('in_work', 'cancelled')) AS o
        JOIN air.alerts AS a ON a.id = o.job LEFT JOIN quiet AS q ON q.alert = o.job
        WHERE coalesce(q.until <= now()::TIMESTAMP, true)
        )
        WHERE recorded >= now()::TIMESTAMP - to_days($days)
        ORDER BY recorded, event_id
        """,
            {"link": link, "days": _DAYS},
        )
        .drop("recorded")
        .cast(EVENTS)
    )


def outbox(store: Store) -> pl.DataFrame:
    """Give what became of each change for each target, in the order in which it was written; columns as `OUTBOX`."""
    return store.frame('SELECT event_id, target, state, "at", reason, attempts FROM air.notify_outbox').cast(OUTBOX)


def add_to_outbox(store: Store, rows: pl.DataFrame) -> None:
    """Write down what became of some changes."""
    with store.transaction(rows=rows.select(OUTBOX.keys())) as write:
        write.execute("INSERT INTO air.notify_outbox BY NAME SELECT * FROM rows")
