"""What was heard of each unit: the ledger summed up, with what came since the last summing."""

from datetime import datetime

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.store.database import Store

JOB = "heard"
HEARD = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "first_t": TIME,
        "last_t": TIME,
        "newest": TIME,
        "last_received": TIME,
        "n_messages": pl.Int64(),
        "n_rows": pl.Int64(),
        "n_new": pl.Int64(),
        "n_conflicting": pl.Int64(),
        "n_out_of_range": pl.Int64(),
    }
)
"""One row a unit that sent something. ``newest`` is its newest data time, or the arrival where that is earlier."""

# The whole ledger in the time that its newest part takes: batches lie in order, so older ones are skipped.
HEARD_SQL = """
    SELECT fleet, unit, min(first_t) AS first_t, max(last_t) AS last_t, max(newest) AS newest,
        max(last_received) AS last_received, sum(n_messages)::BIGINT AS n_messages, sum(n_rows)::BIGINT AS n_rows,
        sum(n_new)::BIGINT AS n_new, sum(n_conflicting)::BIGINT AS n_conflicting,
        sum(n_out_of_range)::BIGINT AS n_out_of_range
    FROM (
        SELECT * FROM air.heard
        UNION ALL BY NAME
        SELECT fleet, unit, t_first AS first_t, t_last AS last_t,
            CASE WHEN t_last IS NOT NULL THEN least(t_last, received) END AS newest, received AS last_received,
            1 AS n_messages, n_rows, n_new, n_conflicting, n_out_of_range
        FROM air.messages
        WHERE batch > coalesce((SELECT max(batch) FROM air.derive_marks WHERE job = 'heard'), 0)
            AND batch <= $upto
    )
    GROUP BY fleet, unit
"""
EVERY_BATCH = (1 << 63) - 1
"""No batch has a greater number."""


def heard(store: Store) -> pl.DataFrame:
    """Give what was heard of each unit, up to the newest commit; columns as `HEARD`."""
    return store.frame(f"{HEARD_SQL} ORDER BY fleet, unit", {"upto": EVERY_BATCH}).cast(HEARD).select(HEARD.keys())


def sum_up_heard(store: Store, upto: int) -> None:
    """Sum up the ledger to the batch ``upto`` in place of what is summed up."""
    summed = store.frame(HEARD_SQL, {"upto": upto}).cast(HEARD).select(HEARD.keys())
    with store.transaction(summed=summed) as write:
        write.execute("DELETE FROM air.heard")
        write.execute("INSERT INTO air.heard BY NAME SELECT * FROM summed")
        write.execute("DELETE FROM air.derive_marks WHERE job = ?", [JOB])
        write.execute("INSERT INTO air.derive_marks VALUES (?, ?)", [JOB, upto])


def newest_data(store: Store) -> datetime | None:
    """Give the newest data time of all units, None if nothing came.

    A time later than its own arrival is a wrong clock; there the arrival counts, so that one unit's clock makes no
    other unit look silent. Where most units' times are a day and more ahead, it is not their clocks but a recording
    that is replayed: then its own times count, those of the tenth of units that are farthest ahead left out.
    """
    row = store.cursor.execute(
        "SELECT CASE WHEN 2 * count_if(epoch(last_t) - epoch(last_received) > 86400) > count(*)"
        f" THEN quantile_disc(last_t, 0.9) ELSE max(newest) END FROM ({HEARD_SQL}) WHERE last_t IS NOT NULL",
        {"upto": EVERY_BATCH},
    ).fetchone()
    return row[0] if row else None
