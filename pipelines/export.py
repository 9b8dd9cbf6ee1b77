"""Results to a file or to standard output."""

from pathlib import Path
from typing import BinaryIO, Literal, get_args

import polars as pl

from airwatch.errors import StoreError
from airwatch.store.database import Store
from airwatch.store.export import Table, export_frame

Format = Literal["ndjson", "csv", "parquet"]
FORMATS: tuple[Format, ...] = get_args(Format)
_RFC3339 = "%Y-%m-%dT%H:%M:%S%.3fZ"


def write_export(store: Store, table: Table, fmt: Format, target: Path | BinaryIO) -> int:
    """Write one result table and give the number of its rows. Text formats write times as RFC 3339.

    Raises
    ------
    StoreError
        The target can't be written.
    """
    frame = export_frame(store, table)
    try:
        _write(frame, fmt, target)
    except OSError as err:
        where = target if isinstance(target, Path) else "standard output"
        raise StoreError(f"{where}: the export can't be written: {err}; check the path, or what reads it") from err
    return frame.height


def _write(frame: pl.DataFrame, fmt: Format, target: Path | BinaryIO) -> None:
    if fmt == "parquet":
        frame.write_parquet(target)
        return
    times = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    text = frame.with_columns(pl.col(name).dt.strftime(_RFC3339) for name in times)
    if fmt == "csv":
        text.write_csv(target)
    else:
        text.write_ndjson(target)
