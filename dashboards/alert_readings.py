"""The readings in which an alert's fault shows, and the edge of the limit that it is about."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import polars as pl

from airwatch.alerts.by_rule import is_past
from airwatch.alerts.frames import is_of_trailer, of_alert
from airwatch.alerts.rules import Rule
from airwatch.alerts.settings import shipped_settings
from airwatch.derive.frames import READINGS
from airwatch.store.alerts import towed
from airwatch.store.database import Store
from airwatch.store.derivation import readings as stored_readings
from airwatch.store.results import readings_of
from dashboards.api.alert_models import AlertDetails
from dashboards.judged import with_judged

BEFORE = timedelta(days=90)
"""How long before its opening an alert's readings are shown: what was usual before."""


def readings_showing(store: Store, alert: Mapping[str, Any], details: AlertDetails | None) -> pl.DataFrame:
    """Give the readings that show an alert's fault, sound ones and those of before included, by time.

    Of a trailer these are readings of every unit while it towed that trailer.

    Parameters
    ----------
    store : Store
        Where they are read from.
    alert : mapping
        One row of `airwatch.alerts.frames.ALERTS`.
    details : AlertDetails, optional
        Its details.

    Returns
    -------
    DataFrame
        As `dashboards.judged.with_judged` gives it; without rows where nothing says which readings they are.
    """
    check, circuit = shown_in(str(alert["fault"]), details)
    if check is None:
        return with_judged(pl.DataFrame(schema=READINGS))
    kept = readings_of_alert(store, alert).filter(
        (pl.col("check") == check) & (pl.col("end") >= alert["opened"] - BEFORE)
    )
    if circuit is not None:
        kept = kept.filter(pl.col("circuit") == circuit)
    return with_judged(kept.sort("end", "start"))


def readings_of_alert(store: Store, alert: Mapping[str, Any]) -> pl.DataFrame:
    """Give all readings of an alert's unit, or of every unit while it towed the alert's trailer."""
    return _of_trailer(store, alert) if is_of_trailer(alert) else readings_of(store, alert["fleet"], alert["unit"])


def told_by(readings: pl.DataFrame, fault: str, details: AlertDetails | None) -> pl.DataFrame:
    """Give the one reading that the alert's figure is taken from, of those that `readings_showing` gives.

    That is the newest with the figure in its details, or else the newest beyond the limit, or else the newest; no row
    if there are no readings.
    """
    known = readings.filter(pl.col("judged").is_not_null())
    measured = None if details is None else details.measured
    if measured is not None and measured.judged is not None:
        same = known.filter((pl.col("judged") - measured.judged).abs() < 1e-6 * max(1.0, abs(measured.judged)))
        return same.tail(1)
    rule = _rule(fault, details)
    beyond = known if rule is None else known.filter(is_past(rule))
    return (known if beyond.is_empty() else beyond).tail(1)


def alert_edge(readings: pl.DataFrame, fault: str, details: AlertDetails | None) -> float | None:
    """Give the edge of the limit that the trend leads to, in the stored measure; None if there is none."""
    measured = None if details is None else details.measured
    if measured is not None:
        return measured.limit
    rule, newest = _rule(fault, details), readings.tail(1).to_dicts()
    if rule is None or not newest:
        return None
    edge = newest[0]["limit_low" if rule.beyond == "low" else "limit_high"]
    return edge if isinstance(edge, float) else None


def shown_in(fault: str, details: AlertDetails | None) -> tuple[str | None, str | None]:
    """Give the check and circuit in which a fault shows; a circuit of None stands for all."""
    if details is not None and details.measured is not None:
        return details.measured.check, details.measured.circuit
    rule = _rule(fault, details)
    return (None, None) if rule is None else (rule.check, rule.circuit)


def _rule(fault: str, details: AlertDetails | None) -> Rule | None:
    """Give the rule that opened an alert: of several for one fault the one whose reason is in the details."""
    rules = [rule for rule in shipped_settings().rule if rule.fault == fault]
    same = [rule for rule in rules if details is not None and rule.reason == details.reason]
    return next(iter([*same, *rules]), None)


def _of_trailer(store: Store, alert: Mapping[str, Any]) -> pl.DataFrame:
    unit = pl.DataFrame({"fleet": [alert["fleet"]], "unit": [alert["unit"]]})
    tractors = towed(store, unit).filter(of_alert(alert)).select("fleet", "unit")
    return stored_readings(store, tractors).filter(of_alert(alert))
