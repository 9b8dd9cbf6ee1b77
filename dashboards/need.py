"""The fleet in the order in which its units need somebody. Pure: frames in, frame out."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal, get_args

import polars as pl

from airwatch.alerts.attention import attention
from airwatch.alerts.lifecycle import CLOSED
from airwatch.contract.columns import TIME
from airwatch.derive.data_quality import QUALITY
from airwatch.derive.frames import UNIT
from dashboards.data_state import with_data_state
from dashboards.judged import with_judged
from dashboards.measures import Measures
from dashboards.phrases import reading_text
from dashboards.words import span, stamp

Need = Literal["alert", "fail", "watch", "silent", "unmeasured", "quiet"]
NEEDS: tuple[Need, ...] = get_args(Need)
"""From the gravest to what asks for nothing."""

FLEET = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "kind": pl.String(),
        "home_shop": pl.String(),
        "need": pl.String(),
        "severity": pl.String(),
        "reason": pl.String(),
        "since": TIME,
        "data": pl.String(),
        "data_flags": pl.String(),
        "is_silent": pl.Boolean(),
        "last_t": TIME,
        "n_messages": pl.Int64(),
        "n_alerts": pl.Int64(),
        "alert": pl.String(),
        "n_fail": pl.Int64(),
        "n_watch": pl.Int64(),
        "n_unknown": pl.Int64(),
        "n_pass": pl.Int64(),
    }
)
"""One row a unit; ``severity`` and ``alert`` (its id) are of the alert that ranks it, null without one."""


def fleet_by_need(
    states: pl.DataFrame,
    alerts: pl.DataFrame,
    off_limit: pl.DataFrame,
    *,
    newest: datetime | None,
    measures: Measures,
    silenced: Mapping[str, datetime] | None = None,
    quality: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Put the units that need somebody first, and say of each in one line why.

    Open alerts come first as `airwatch.alerts.attention` ranks them, then newest readings beyond a limit, then those
    to watch, then units that have been silent for `SILENT_AFTER` before the newest data of the fleet, then those of
    which nothing could be measured, then the rest.

    Parameters
    ----------
    states : DataFrame
        As `airwatch.store.results.unit_states` gives it.
    alerts : DataFrame
        Columns as `airwatch.alerts.fold.ALERTS`.
    off_limit : DataFrame
        Newest readings that don't pass, as `airwatch.store.results.newest_off_limit` gives them.
    newest : datetime, optional
        Newest data time of the fleet, as `airwatch.store.results.newest_data` gives it.
    measures : Measures
        What the reasons are written in.
    silenced : mapping, optional
        By id of an alert the end of the silence that holds. A silenced alert keeps its place: its fault is still there.
    quality : DataFrame, optional
        What came in on the newest day of each unit and stream, as `dashboards.data_state.with_data_state` takes it.

    Returns
    -------
    DataFrame
        Columns as `FLEET`, in order of need.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    off = _off_reasons(off_limit, measures)
    ranking = alerts.filter(~pl.col("state").is_in(CLOSED)).select(
        *UNIT, "fault", "severity", "state", reason="summary", alert="id"
    )
    rank = (
        attention(alerts)
        .with_row_index("rank")
        .join(ranking, on=[*UNIT, "fault", "severity", "reason"], how="left", maintain_order="left")
        .unique("rank", keep="first", maintain_order=True)
    )
    n_read = pl.sum_horizontal("n_fail", "n_watch", "n_unknown", "n_pass")
    placed = (
        with_data_state(states, pl.DataFrame(schema=QUALITY) if quality is None else quality, newest)
        .join(rank, on=UNIT, how="left")
        .join(off, on=UNIT, how="left")
        .with_columns(is_silent=pl.col("data").is_in(["never", "silent"]), n_alerts=pl.col("n_alerts").fill_null(0))
        .with_columns(
            need=pl.when(pl.col("n_alerts") > 0)
            .then(pl.lit("alert"))
            .when(pl.col("n_fail") > 0)
            .then(pl.lit("fail"))
            .when(pl.col("n_watch") > 0)
            .then(pl.lit("watch"))
            .when("is_silent")
            .then(pl.lit("silent"))
            .when(n_read == pl.col("n_unknown"))
            .then(pl.lit("unmeasured"))
            .otherwise(pl.lit("quiet"))
        )
        .with_columns(
            order=pl.col("need").replace_strict({need: i for i, need in enumerate(NEEDS)}, return_dtype=pl.Int8)
        )
        .with_columns(since_heard=pl.when(pl.col("need") == "silent").then("last_t"))
        .sort("order", "rank", "since_heard", *UNIT, nulls_last=True)
    )
    reasons = [_reason(row, newest, measures, silenced or {}) for row in placed.iter_rows(named=True)]
    return placed.with_columns(reason=pl.Series(reasons, dtype=pl.String)).cast({"last_t": TIME}).select(FLEET.keys())


def _off_reasons(off_limit: pl.DataFrame, measures: Measures) -> pl.DataFrame:
    worst = with_judged(off_limit).group_by(UNIT, maintain_order=True).first()
    rows = [
        (
            row["fleet"],
            row["unit"],
            reading_text(row, measures),
        )
        for row in worst.iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema={"fleet": pl.String, "unit": pl.String, "off": pl.String}, orient="row")


def _reason(
    row: dict[str, object], newest: datetime | None, measures: Measures, silenced: Mapping[str, datetime]
) -> str:
    n_alerts, n_off = _count(row, "n_alerts"), _count(row, "n_fail") + _count(row, "n_watch")
    quiet_for = _quiet_for(row, newest)
    silence = f"; {quiet_for}" if row["is_silent"] else ""
    match row["need"]:
        case "alert":
            done = "" if row["state"] == "open" else f"; {row['state']}"
            until = silenced.get(str(row["alert"]))
            quiet = "" if until is None else f"; silenced until {stamp(until)}"
            return f"{measures.sentence(str(row['reason']))}{done}{quiet}{_more(n_alerts - 1, 'alert')}{silence}"
        case "fail" | "watch":
            return f"{row['off']}{_more(n_off - 1, 'reading')}; no alert yet{silence}"
        case "silent":
            return quiet_for[0].upper() + quiet_for[1:]
        case "unmeasured":
            return "Heard, but nothing could be measured for certain"
        case _:
            unsure = f", {n} can't say" if (n := _count(row, "n_unknown")) else ""
            n_pass = _count(row, "n_pass")
            return f"{n_pass} newest reading{'' if n_pass == 1 else 's'} within limits{unsure}"


def _count(row: dict[str, object], name: str) -> int:
    count = row[name]
    return count if isinstance(count, int) else 0


def _more(count: int, what: str) -> str:
    return "" if count < 1 else f" (and {count} more {what}{'s' if count > 1 else ''})"


def _quiet_for(row: dict[str, object], newest: datetime | None) -> str:
    last = row["last_t"]
    if not isinstance(last, datetime) or newest is None:
        return "never heard"
    return f"nothing heard for {span(newest - last)}"
