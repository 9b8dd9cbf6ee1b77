"""Readings to alerts: one row a unit and fault."""

from collections.abc import Sequence
from hashlib import blake2b
from typing import Literal

import polars as pl

from airwatch.alerts.rules import Rule, shipped_rules
from airwatch.contract.columns import TIME
from airwatch.derive.frames import READINGS, UNIT, require
from airwatch.limits.judge import as_judged
from airwatch.limits.table import limits_frame, shipped_limits

ALERTS = pl.Schema(
    {
        "id": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "trailer": pl.String(),
        "fault": pl.String(),
        "circuit": pl.String(),
        "severity": pl.String(),
        "confidence": pl.Float64(),
        "opened": TIME,
        "updated": TIME,
        "crossing_early": TIME,
        "crossing_likely": TIME,
        "crossing_late": TIME,
        "state": pl.String(),
        "summary": pl.String(),
    }
)
"""One row an alert: the contract's columns, with the fleet."""

_PART = [*UNIT, "part"]


def fold_alerts(readings: pl.DataFrame, rules: Sequence[Rule] | None = None) -> pl.DataFrame:
    """Open an alert for each unit and fault whose newest readings lie beyond a limit often enough.

    Readings of different parts (wheel ends, valves, lamps) are counted by themselves, so that a sound part does not
    hide a broken one; the parts that hold make one alert. Confidence is the share of the looked-at readings that are
    beyond the limit, ``opened`` the end of the reading that completed the evidence, in the stretch of readings that
    still holds (its start where the rule says so), ``updated`` the end of the newest reading.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`, all readings of the units in question.
    rules : sequence of Rule, optional
        The shipped ones by default.

    Returns
    -------
    DataFrame
        Columns as `ALERTS`, sorted by unit and fault.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(readings, READINGS, "fold_alerts")
    judged = as_judged(readings, limits_frame(shipped_limits()))
    parts = [_fold(judged, rule) for rule in (shipped_rules() if rules is None else rules)]
    return pl.concat(parts).sort(*UNIT, "fault") if parts else pl.DataFrame(schema=ALERTS)


def _fold(readings: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    of_circuit = pl.lit(value=True) if rule.circuit is None else pl.col("circuit") == rule.circuit
    line = (
        readings.filter((pl.col("check") == rule.check) & of_circuit & pl.col("value").is_not_null())
        .sort(*UNIT, "end")
        .with_columns(is_beyond=_is_beyond(rule), edge=_edge(rule))
        .with_columns(
            n_beyond=pl.col("is_beyond").cast(pl.Int32()).rolling_sum(rule.of_last, min_samples=1).over(_PART)
        )
        .with_columns(holds=pl.col("n_beyond") >= rule.at_least)
        .with_columns(stretch=pl.col("holds").rle_id().over(_PART))
    )
    beyond = pl.col("is_beyond")
    by_part = (
        line.filter((pl.col("stretch") == pl.col("stretch").max().over(_PART)) & pl.col("holds"))
        .group_by(_PART, maintain_order=True)
        .agg(
            trailer=pl.col("trailer").last(),
            circuit=pl.col("circuit").last(),
            is_fail=(pl.col("verdict").filter(beyond) == "fail").any(),
            confidence=pl.col("n_beyond").last() / rule.of_last,
            opened=pl.col(rule.opens_at).filter(beyond).first() if rule.opens_at == "start" else pl.col("end").first(),
            updated=pl.col("end").last(),
            newest=pl.struct("judged", "edge", "measure", "note").filter(beyond).last(),
        )
        .unnest("newest")
    )
    alerts = (
        by_part.sort(*UNIT, "updated", maintain_order=True)
        .group_by(UNIT, maintain_order=True)
        .agg(
            pl.col("trailer", "circuit", "judged", "edge", "measure").last(),
            pl.col("confidence", "updated").max(),
            pl.col("opened").min(),
            verdict=pl.when(pl.col("is_fail").any()).then(pl.lit("fail")).otherwise(pl.lit("watch")),
            part=pl.col("part").drop_nulls().unique().sort().str.join(", "),
            note=pl.col("note").unique(maintain_order=True).str.join("; "),
        )
    )
    rows = [_alert(row, rule) for row in alerts.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=ALERTS, orient="row")


def _is_beyond(rule: Rule) -> pl.Expr:
    over, under = pl.col("judged") > pl.col("limit_high"), pl.col("judged") < pl.col("limit_low")
    is_past = {"high": over, "low": under, "either": over.fill_null(value=False) | under.fill_null(value=False)}
    is_beyond = pl.col("verdict").is_in(list(rule.severity)) & is_past[rule.beyond].fill_null(value=False)
    return is_beyond if rule.states is None else is_beyond & pl.col("state").is_in(rule.states).fill_null(value=False)


def _edge(rule: Rule) -> pl.Expr:
    high, low = pl.col("limit_high"), pl.col("limit_low")
    either = pl.when((pl.col("judged") < low).fill_null(value=False)).then(low).otherwise(high)
    return {"high": high, "low": low, "either": either}[rule.beyond]


def _alert(row: dict[str, object], rule: Rule) -> tuple[object, ...]:
    key = f"{row['fleet']}/{row['unit']}/{rule.fault}"
    verdict: Literal["fail", "watch"] = "fail" if row["verdict"] == "fail" else "watch"
    value, edge, note = row["judged"], row["edge"], str(row["note"])
    says = rule.says.format(
        value=f"{value:.3g}",
        limit=f"{edge:.3g}",
        measure=row["measure"],
        note=note,
        circuit=row["circuit"],
        part=row["part"],
    )
    id_ = blake2b(key.encode(), digest_size=8).hexdigest()
    severity = rule.severity.get(verdict, "low")
    crossing = (None, None, None)  # early, likely, late: trends are not followed yet
    whose = (row["fleet"], row["unit"], row["trailer"], rule.fault, row["circuit"])
    return (id_, *whose, severity, row["confidence"], row["opened"], row["updated"], *crossing, "open", says)
