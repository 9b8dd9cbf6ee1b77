"""Labels of a recording: what was really wrong, and since when."""

from pathlib import Path

import polars as pl

from airwatch.alerts.score import LABELS
from airwatch.errors import RecordingError

_NEEDED = ("unit", "trailer", "fault", "circuit", "began", "onset")


def read_labels(path: Path) -> pl.DataFrame:
    """Read a CSV of labels, columns as `airwatch.alerts.score.LABELS`; times are RFC 3339, further columns are left.

    Raises
    ------
    RecordingError
        The file can't be read, lacks a column, or a time in it is none.
    """
    try:
        text = pl.read_csv(path, infer_schema_length=0)
    except (OSError, pl.exceptions.PolarsError) as err:
        raise RecordingError(f"{path}: the labels can't be read: {str(err).splitlines()[0]}") from err
    if lacking := [name for name in _NEEDED if name not in text.columns]:
        raise RecordingError(f"{path}: the header lacks {', '.join(lacking)}; it needs {', '.join(_NEEDED)}")
    if "repaired" not in text.columns:
        text = text.with_columns(repaired=pl.lit(None, pl.String))
    times = {name: _time(name) for name in ("began", "repaired")}
    labels = text.select(
        *[pl.when(pl.col(name) != "").then(pl.col(name)).alias(name) for name in LABELS if name not in times]
    ).with_columns(**{name: text.select(time).to_series() for name, time in times.items()})
    bad = labels.with_row_index("line", offset=2).filter(pl.col("began").is_null())
    if bad.height:
        raise RecordingError(f"{path} line {bad['line'][0]}: began is no time; write it as 2031-02-03T11:20:00Z")
    return labels.select(LABELS.keys()).cast(LABELS)


def _time(name: str) -> pl.Expr:
    parsed = pl.col(name).str.to_datetime(strict=False, time_zone="UTC", time_unit="us")
    return parsed.dt.replace_time_zone(None)
