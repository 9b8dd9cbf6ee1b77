"""Air losses as alerts, in words."""

from collections.abc import Sequence
from datetime import timedelta

import msgspec
import polars as pl

from airwatch.alerts.air_loss import AirLoss
from airwatch.alerts.changes import Change, day_of
from airwatch.alerts.frames import ALERTS, alert_id, figure, not_seen, utc_text
from airwatch.alerts.settings import Settings, Told

_NAMES = {
    "leak_supply": "supply tank leaks",
    "leak_primary": "primary tank leaks",
    "leak_secondary": "secondary tank leaks",
    "leak_trailer": "trailer {trailer} leaks",
    "leak_released": "leak with the parking brake released",
    "leak_applied": "leak with the brake held, {circuit} circuit",
    "supply_backflow": "air flows back from the supply tank after cut-out",
}
_STATES = {
    "leak_static": "parked",
    "leak_released": "parking brake released",
    "leak_applied": "brake held",
    "leak_running": "engine running",
    "supply_drop": "after cut-out",
}


def air_loss_alerts(losses: Sequence[AirLoss], settings: Settings) -> pl.DataFrame:
    """Give one alert for each air loss; one that lies in a trailer is one alert, whichever tractors showed it.

    Returns
    -------
    DataFrame
        Columns as `ALERTS`; the unit of a trailer's alert is the tractor that showed it last.
    """
    rows = [_row(loss, settings) for loss in losses]
    alerts = pl.DataFrame(rows, schema=ALERTS, orient="row")
    return (
        alerts.sort("updated", descending=True)
        .with_columns(pl.col("opened").min().over("id"), pl.col("confidence").max().over("id"))
        .unique("id", keep="first", maintain_order=True)
    )


def _row(loss: AirLoss, settings: Settings) -> tuple[object, ...]:
    best = loss.explanations[0]
    key = (loss.fleet, "trailer", best.trailer) if best.trailer else (loss.fleet, loss.unit, "air loss")
    return (
        alert_id(*key), loss.fleet, loss.unit, best.trailer, best.fault, best.circuit, severity(loss, settings),
        best.probability, loss.opened, loss.updated if best.trailer is None else loss.last_sign, *loss.crossing, "open",
        _summary(loss, settings), msgspec.json.encode(_details(loss, settings.told)).decode(),
    )  # fmt: skip


def severity(loss: AirLoss, settings: Settings) -> str:
    """Rate by measured fact first, then by how soon the limit is likely crossed."""
    likely = loss.crossing[1]
    if loss.beyond_since is not None:
        return "high"
    if likely is None:
        return "low" if loss.limit is not None else "medium"
    days = (likely - loss.updated) / timedelta(days=1)
    return "high" if days <= settings.urgency.high_days else "medium" if days <= settings.urgency.medium_days else "low"


def _summary(loss: AirLoss, settings: Settings) -> str:
    best = loss.explanations[0]
    name = _NAMES[best.fault].format(trailer=best.trailer or "(not named)", circuit=best.circuit)
    parts = [name[0].upper() + name[1:]]
    if loss.judged is not None:
        shown = f"{_STATES[loss.check]} {figure(loss.judged)} kPa/min"
        at_test = "" if loss.limit is None else f" at the test's pressure, limit {figure(loss.limit)} kPa/min"
        parts.append(f"{shown}{at_test}")
    if came := came_text(loss.change):
        parts.append(came)
    if loss.beyond_since is not None:
        parts.append("beyond the limit in measured fact: have it looked at before the next trip")
    elif loss.crossing[1] is not None:
        parts.append(f"limit likely crossed about {loss.crossing[1]:%d %b}")
    if len(loss.explanations) > 1 and loss.explanations[1].probability >= settings.told.worth_a_word:
        other = loss.explanations[1]
        words = _NAMES.get(other.fault, "use of air").format(
            trailer=other.trailer or "(not named)", circuit=other.circuit
        )
        parts.append(f"{best.probability:.0%} sure, else {words}")
    if gone := not_seen(loss.last_sign, loss.updated, loss.n_since, "holds", settings.quiet):
        parts.append(gone)
    return "; ".join(parts)


def came_text(change: Change | None) -> str | None:
    """Say how a rate changed; rates in kPa/min at 690 kPa."""
    if change is None or change.kind == "none" or change.after <= change.before:
        return None
    # each figure with its unit: pages turn them into the reader's own
    rose = f"from {figure(max(change.before, 0.0))} kPa/min to {figure(change.after)} kPa/min"
    if change.kind == "step":
        return f"came at once about {day_of(change.last_day):%d %b}, {rose}"
    return f"grew since about {day_of(change.first_day):%d %b}, {rose}"


def _details(loss: AirLoss, told: Told) -> dict[str, object]:
    shown = [e for e in loss.explanations if e.probability >= told.worth_a_row][: told.most]
    return {
        "explanations": [
            {
                "fault": e.fault,
                "circuit": e.circuit,
                "trailer": e.trailer,
                "probability": round(e.probability, 4),
                "says": e.says,
                "inspect": e.inspect,
                "evidence": [{"seen": seen, "speaks": speaks} for seen, speaks in e.evidence],
            }
            for e in shown
        ],
        "beyond_since": utc_text(loss.beyond_since),
        "change": None
        if loss.change is None
        else {
            "kind": loss.change.kind,
            "first_day": None if loss.change.kind == "none" else f"{day_of(loss.change.first_day):%Y-%m-%d}",
            "last_day": None if loss.change.kind == "none" else f"{day_of(loss.change.last_day):%Y-%m-%d}",
            "before": loss.change.before,
            "after": loss.change.after,
        },
        "measured": {
            "check": loss.check,
            "circuit": loss.circuit,
            "judged": loss.judged,
            "limit": loss.limit,
            "measure": "kPa/min",
        },
    }
