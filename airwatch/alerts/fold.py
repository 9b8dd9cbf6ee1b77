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


def fold_alerts(readings: pl.DataFrame, rules: Sequence[Rule] | None = None) -> pl.DataFrame:
    """Open an alert for each unit and fault whose newest readings lie beyond a limit often enough.

    Confidence is the share of the looked-at readings that are beyond the limit. ``opened`` is the end of the reading
    that completed the evidence, in the stretch of readings that still holds; ``updated`` the end of the newest reading.

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
    edge = pl.col("limit_high") if rule.beyond == "high" else pl.col("limit_low")
    is_past = pl.col("judged") > edge if rule.beyond == "high" else pl.col("judged") < edge
    is_beyond = pl.col("verdict").is_in(list(rule.severity)) & is_past.fill_null(value=False)
    if rule.only_if_note_starts is not None:
        is_beyond &= pl.col("note").str.starts_with(rule.only_if_note_starts)
    of_circuit = pl.lit(value=True) if rule.circuit is None else pl.col("circuit") == rule.circuit
    line = (
        readings.filter((pl.col("check") == rule.check) & of_circuit & pl.col("value").is_not_null())
        .sort(*UNIT, "end")
        .with_columns(is_beyond=is_beyond, edge=edge)
        .with_columns(n_beyond=pl.col("is_beyond").cast(pl.Int32()).rolling_sum(rule.of_last, min_samples=1).over(UNIT))
        .with_columns(holds=pl.col("n_beyond") >= rule.at_least)
        .with_columns(stretch=pl.col("holds").rle_id().over(UNIT))
    )
    beyond = pl.col("is_beyond")
    alerts = (
        line.filter((pl.col("stretch") == pl.col("stretch").max().over(UNIT)) & pl.col("holds"))
        .group_by(UNIT, maintain_order=True)
        .agg(
            trailer=pl.col("trailer").last(),
            circuit=pl.col("circuit").last(),
            verdict=pl.when((pl.col("verdict").filter(beyond) == "fail").any())
            .then(pl.lit("fail"))
            .otherwise(pl.lit("watch")),
            confidence=pl.col("n_beyond").last() / rule.of_last,
            opened=pl.col("end").first(),
            updated=pl.col("end").last(),
            newest=pl.struct("judged", "edge", "measure", "note").filter(beyond).last(),
        )
        .unnest("newest")
    )
    rows = [_alert(row, rule) for row in alerts.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=ALERTS, orient="row")


def _alert(row: dict[str, object], rule: Rule) -> tuple[object, ...]:
    key = f"{row['fleet']}/{row['unit']}/{rule.fault}"
    verdict: Literal["fail", "watch"] = "fail" if row["verdict"] == "fail" else "watch"
    value, edge, note = row["judged"], row["edge"], str(row["note"])
    says = rule.says.format(
        value=f"{value:.3g}", limit=f"{edge:.3g}", measure=row["measure"], note=note, circuit=row["circuit"]
    )
    id_ = blake2b(key.encode(), digest_size=8).hexdigest()
    severity = rule.severity.get(verdict, "low")
    crossing = (None, None, None)  # early, likely, late: trends are not followed yet
    whose = (row["fleet"], row["unit"], row["trailer"], rule.fault, row["circuit"])
    return (id_, *whose, severity, row["confidence"], row["opened"], row["updated"], *crossing, "open", says)
