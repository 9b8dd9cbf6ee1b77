"""Alerts beside what was really wrong: precision, recall, place, lead and false alerts."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import msgspec
import polars as pl

from airwatch.alerts.frames import ALERTS, is_of_trailer
from airwatch.derive.frames import require

LABELS = pl.Schema(
    {
        "unit": pl.String(),
        "trailer": pl.String(),
        "fault": pl.String(),
        "circuit": pl.String(),
        "began": pl.Datetime("us"),
        "onset": pl.String(),
        "repaired": pl.Datetime("us"),
    }
)
"""One row a fault that was there, the trailer's or else the unit's; ``circuit`` null where it has none."""

MATCHED = pl.Schema(
    {
        "unit": pl.String(),
        "trailer": pl.String(),
        "fault": pl.String(),
        "circuit": pl.String(),
        "outcome": pl.String(),
        "onset": pl.String(),
        "began": pl.Datetime("us"),
        "opened": pl.Datetime("us"),
        "after_days": pl.Float64(),
        "lead_days": pl.Float64(),
        "is_lead_open": pl.Boolean(),
        "is_right_circuit": pl.Boolean(),
        "is_on_healthy": pl.Boolean(),
        "severity": pl.String(),
        "confidence": pl.Float64(),
        "summary": pl.String(),
    }
)
"""One row an alert or a missed fault; ``outcome`` is right, wrong or missed.

``after_days`` is from the fault's begin to the alert; ``lead_days`` of a ramp from the alert to the first time that
readings show the limit crossed in fact, ``is_lead_open`` where they never did and the recording's end stands for it.
"""

_EARLY = timedelta(hours=12)  # a begin is not known to the hour


@dataclass(frozen=True, slots=True)
class Score:
    """Figures of one recording; shares from 0 to 1, None where there is nothing to divide by."""

    n_alerts: int
    n_labels: int
    n_right: int
    precision: float | None
    recall: float | None
    f1: float | None
    right_circuit: float | None
    lead_days_median: float | None
    step_delay_days_median: float | None
    false_per_100_healthy_unit_days: float | None
    n_healthy_units: int
    days: float


def match(alerts: pl.DataFrame, labels: pl.DataFrame, end: datetime) -> pl.DataFrame:
    """Put each alert beside the fault it found, and each fault that no alert found beside nothing.

    An alert is right if the unit (for `leak_trailer` the trailer) had that fault, and the alert was not opened before
    it began; of several for one fault, the first is right and the others are wrong.

    Parameters
    ----------
    alerts : DataFrame
        Columns as `ALERTS`; dismissed ones are left out.
    labels : DataFrame
        Columns as `LABELS`.
    end : datetime
        The end of the recording.

    Returns
    -------
    DataFrame
        Columns as `MATCHED`.
    """
    require(alerts, ALERTS, "match")
    require(labels, LABELS, "match")
    found: set[int] = set()
    truths = list(labels.iter_rows(named=True))
    bad = {truth["unit"] for truth in truths}
    rows = []
    for alert in alerts.filter(pl.col("state") != "dismissed").sort("opened").iter_rows(named=True):
        k = next((k for k, t in enumerate(truths) if k not in found and _is_same(alert, t)), None)
        truth = None if k is None else truths[k]
        if k is not None:
            found.add(k)
        lead, is_open = _lead(alert, end)
        rows.append(
            {
                "unit": alert["unit"],
                "trailer": alert["trailer"],
                "fault": alert["fault"],
                "circuit": alert["circuit"],
                "outcome": "wrong" if truth is None else "right",
                "onset": None if truth is None else truth["onset"],
                "began": None if truth is None else truth["began"],
                "opened": alert["opened"],
                "after_days": None if truth is None else (alert["opened"] - truth["began"]) / timedelta(days=1),
                "lead_days": lead if truth is not None and truth["onset"] == "ramp" else None,
                "is_lead_open": is_open,
                "is_right_circuit": _is_right_circuit(alert, truth),
                "is_on_healthy": alert["unit"] not in bad,
                "severity": alert["severity"],
                "confidence": alert["confidence"],
                "summary": alert["summary"],
            }
        )
    rows += [
        {name: truth[name] for name in ("unit", "trailer", "fault", "circuit", "onset", "began")}
        | {"outcome": "missed"}
        for k, truth in enumerate(truths)
        if k not in found
    ]
    return pl.DataFrame(rows, schema=MATCHED, orient="row")


def score(matched: pl.DataFrame, *, n_healthy_units: int, days: float) -> Score:
    """Sum up what `match` gives.

    Parameters
    ----------
    matched : DataFrame
        Columns as `MATCHED`.
    n_healthy_units : int
        Power units without a fault.
    days : float
        Length of the recording.
    """
    n = {outcome: matched.filter(outcome=outcome).height for outcome in ("right", "wrong", "missed")}
    right = matched.filter(outcome="right")
    healthy_days = n_healthy_units * days
    n_false = matched.filter((pl.col("outcome") == "wrong") & pl.col("is_on_healthy")).height
    return Score(
        n_alerts=n["right"] + n["wrong"],
        n_labels=n["right"] + n["missed"],
        n_right=n["right"],
        precision=_share(n["right"], n["right"] + n["wrong"]),
        recall=_share(n["right"], n["right"] + n["missed"]),
        f1=_share(2 * n["right"], 2 * n["right"] + n["wrong"] + n["missed"]),
        right_circuit=_number(right["is_right_circuit"].mean()),
        lead_days_median=_number(right["lead_days"].median()),
        step_delay_days_median=_number(right.filter(onset="step")["after_days"].median()),
        false_per_100_healthy_unit_days=100.0 * n_false / healthy_days if healthy_days else None,
        n_healthy_units=n_healthy_units,
        days=days,
    )


def reliability(matched: pl.DataFrame) -> pl.DataFrame:
    """Put confidence beside what came true: ``confidence`` (of a band a tenth wide, its mean), ``alerts, right``.

    An alert that names a fault that is there is right; so a confidence of 0.9 should be right nine times in ten.
    """
    told = matched.filter(pl.col("outcome") != "missed")
    band = (pl.col("confidence") * 10.0).floor().clip(0.0, 9.0)
    return (
        told.group_by(band.alias("band"))
        .agg(pl.col("confidence").mean(), alerts=pl.len(), right=(pl.col("outcome") == "right").mean())
        .sort("band")
        .drop("band")
    )


def brier(matched: pl.DataFrame) -> float | None:
    """Give the mean square of confidence less outcome (1 right, 0 wrong) of all alerts; None without one.

    References
    ----------
    Brier, Monthly Weather Review 78 (1950), 1-3.
    """
    told = matched.filter(pl.col("outcome") != "missed")
    return _number(((told["confidence"] - (told["outcome"] == "right").cast(pl.Float64)) ** 2).mean())


def by_fault(matched: pl.DataFrame) -> pl.DataFrame:
    """Count outcomes by fault: ``fault, right, wrong, missed, circuits_right, after_days`` (median)."""
    return (
        matched.group_by("fault")
        .agg(
            *[(pl.col("outcome") == outcome).sum().alias(outcome) for outcome in ("right", "wrong", "missed")],
            circuits_right=pl.col("is_right_circuit").mean(),
            after_days=pl.col("after_days").median(),
            lead_days=pl.col("lead_days").median(),
        )
        .sort("fault")
    )


def _is_same(alert: dict[str, object], truth: dict[str, object]) -> bool:
    opened, began = alert["opened"], truth["began"]
    name = "trailer" if is_of_trailer(alert) else "unit"
    return alert[name] == truth[name] and alert["fault"] == truth["fault"] and opened >= began - _EARLY  # type: ignore[operator]


def _is_right_circuit(alert: dict[str, object], truth: dict[str, object] | None) -> bool | None:
    return None if truth is None or truth["circuit"] is None else truth["circuit"] == alert["circuit"]


def _lead(alert: dict[str, object], end: datetime) -> tuple[float, bool]:
    since = msgspec.json.decode(str(alert["details"])).get("beyond_since")
    opened = alert["opened"]
    until = end if since is None else datetime.fromisoformat(since).replace(tzinfo=None)
    return max((until - opened) / timedelta(days=1), 0.0), since is None  # type: ignore[operator]


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
