"""What goes out, in the contract's columns."""

from typing import Literal, get_args

import polars as pl

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.derive.data_quality import QUALITY
from airwatch.store.database import Store

Table = Literal["readings", "alerts", "rejects", "samples", "data_quality"]
TABLES: tuple[Table, ...] = get_args(Table)

_READINGS = (
    'unit, trailer, circuit, "check", "start", "end", value, lower, upper, measure,'
    " limit_low, limit_high, rule, verdict, note"
)
_ALERTS = (
    "id, unit, trailer, fault, circuit, severity, confidence, opened, updated, crossing_early, crossing_likely,"
    " crossing_late, state, summary"
)
_QUERIES: dict[Table, str] = {
    "readings": f'SELECT {_READINGS} FROM air.readings ORDER BY fleet, unit, "start", "check", circuit',
    "alerts": f"SELECT {_ALERTS} FROM air.alerts ORDER BY fleet, unit, opened, fault",
    "rejects": "SELECT received, topic, reason, to_base64(payload) AS payload_b64 FROM air.rejects ORDER BY received",
    "data_quality": f"SELECT {', '.join(QUALITY)} FROM air.data_quality ORDER BY fleet, unit, stream, day",
    "samples": (
        f"SELECT k.unit, s.t, {', '.join(f's.{name}' for name in COLUMN_NAMES)} FROM air.samples AS s"
        " JOIN air.unit_keys AS k USING (unit_key) ORDER BY k.fleet, k.unit, s.t"
    ),
}


def export_frame(store: Store, table: Table) -> pl.DataFrame:
    """Give one result table as the contract has it; times are UTC with their zone, whole milliseconds."""
    frame = store.frame(_QUERIES[table])
    times = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    return frame.with_columns(pl.col(name).dt.cast_time_unit("ms").dt.replace_time_zone("UTC") for name in times)
