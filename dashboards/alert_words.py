"""Plain words about one alert."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isclose
from typing import Any

from airwatch.alerts.lifecycle import ENGINE
from dashboards.alerts import Band, band_of
from dashboards.api.alert_models import AlertDetails, Explanation
from dashboards.words import FAULTS, fault_name, stamp

HEADLINES = {
    "leak_supply": "The supply tank loses air",
    "leak_primary": "The primary tank loses air",
    "leak_secondary": "The secondary tank loses air",
    "leak_trailer": "Trailer {trailer} loses air",
    "leak_applied": "Air is lost while the brake is held",
    "leak_released": "Air is lost with the parking brake released",
    "compressor_weak": "The compressor fills the tanks too slowly",
    "governor_cut_out_high": "The governor cuts out too high",
    "governor_cut_out_low": "The governor cuts out too low",
    "governor_short_cycling": "The governor's cut-out and cut-in lie too close together",
    "supply_backflow": "Air flows back out of the supply tank after cut-out",
    "low_air_warning_low": "The low-air warning comes on too late",
    "low_air_warning_missing": "The low-air warning does not come on",
    "protection_valve_low": "A protection valve closes too late",
    "abs_active": "An ABS code is active",
    "abs_intermittent": "An ABS code comes and goes",
    "abs_lamp": "The ABS lamp fails its check at key-on",
}
GROWING = {
    "compressor_weak": "The compressor fills the tanks more and more slowly",
    "governor_cut_out_high": "The governor's cut-out is rising towards its limit",
    "governor_cut_out_low": "The governor's cut-out is sinking towards its limit",
}
"""Headlines where a trend leads to a limit that is not crossed yet."""

STATES = {
    "open": "open: nobody has taken it up",
    "open again": "open again: readings since show the fault",
    "reopened": "open again: somebody reopened it",
    "acknowledged": "acknowledged: somebody has seen it",
    "planned": "planned: work is arranged",
    "repaired": "repaired: readings have yet to show that it held",
    "verified": "verified: readings since the repair show that it held",
    "dismissed": "dismissed: somebody found no fault",
}
BANDS: dict[Band, str] = {
    "open": "Nobody has taken it up",
    "taken": "Acknowledged or planned",
    "repaired": "Repaired, proof awaited",
    "silenced": "Silenced",
    "closed": "Closed: verified or dismissed",
}
CHANGES = {
    "acknowledged": ("Acknowledge", "I have seen it and look after it."),
    "planned": ("Plan", "Work is arranged; say what, where and when."),
    "repaired": ("Repaired", "Work is done; say what was found and done. Readings since then decide whether it held."),
    "dismissed": ("Dismiss", "It was looked into and there is no fault; say how that is known."),
    "reopened": ("Reopen", "It needs somebody again; say why."),
    "silenced": ("Silence", "It is known and can wait; say why and until when. The fault is still there."),
    "noted": ("Note", "Write something down; nothing else changes."),
}
"""What may be done: the word to choose, and what it means."""

_FOR = ((3.0, "strongly"), (1.0, "clearly"), (0.3, "a little"))  # odds of about 20, 3 and 4 to 3
_SURE, _HARDLY = 0.99, 0.01
_NAME = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")


def state_text(state: str, moved: Mapping[str, Any] | None) -> str:
    """Say what state an alert is in; ``moved`` is the row of its history that led there."""
    if state == "open" and moved is not None and moved["change"] == "reopened":
        return STATES["open again" if moved["who"] == ENGINE else "reopened"]
    return STATES[state]


def headline(alert: Mapping[str, Any], details: AlertDetails | None) -> str:
    """Say in one line what is wrong, as far as it can be told."""
    fault = str(alert["fault"])
    is_growing = details is not None and details.beyond_since is None and alert["crossing_likely"] is not None
    text = (GROWING if is_growing and fault in GROWING else HEADLINES).get(fault, fault_name(fault))
    return text.format(trailer=alert["trailer"] or "(not named)")


def crossing_text(
    alert: Mapping[str, Any], details: AlertDetails | None, now: datetime, *, has_limit: bool = True
) -> str:
    """Say when the limit is crossed; where none applies, since when the fault shows."""
    since = None if details is None else details.beyond_since
    if since is not None:
        if str(alert["fault"]).startswith("abs_"):
            return f"Reported since {stamp(since)}"
        if not has_limit:
            return f"No limit applies; the fault shows since {stamp(since)}"
        if band_of(alert["state"], is_silenced=False) in ("repaired", "closed"):
            return f"Was beyond it, first {stamp(since)}"
        return f"Already beyond it, since {stamp(since)}"
    likely = alert["crossing_likely"]
    if likely is None:
        return "Not beyond it, and no clear trend leads there"
    early, late = alert["crossing_early"], alert["crossing_late"]
    begin = f"not before {early:%Y-%m-%d}" if early else "no earliest day can be given"
    end = f"not after {late:%Y-%m-%d}" if late else "no latest day can be given"
    between = f"between {early:%Y-%m-%d} and {late:%Y-%m-%d}" if early and late else f"{begin}, {end}"
    past = "; that day has passed without a reading that shows it" if likely < now else ""
    return f"Likely crossed about {likely:%Y-%m-%d}, {between} with 80 % probability{past}"


def short_crossing(alert: Mapping[str, Any], details: AlertDetails | None) -> str:
    """Say the same in a few words, for a list."""
    since = None if details is None else details.beyond_since
    likely = alert["crossing_likely"]
    if since is not None:
        return f"{'reported' if str(alert['fault']).startswith('abs_') else 'beyond'} since {since:%Y-%m-%d}"
    return "" if likely is None else f"crossed about {likely:%Y-%m-%d}"


def sureness_text(alert: Mapping[str, Any], details: AlertDetails | None) -> str:
    """Say how sure the alert is, and of what."""
    if details is not None and details.explanations:
        count = len(details.explanations)
        among = f" among the {count} explanations compared" if count > 1 else ""
        text = f"{percent(alert['confidence'])} for this explanation{among}"
        return text[0].upper() + text[1:]
    if details is not None and details.rule is not None and details.beyond_since is not None:
        n = round(alert["confidence"] * details.rule.of_last)
        if isclose(n, alert["confidence"] * details.rule.of_last, abs_tol=1e-6):
            return f"Up to {n} of {details.rule.of_last} readings speak for it"
    return percent(alert["confidence"])


def rule_reason(reason: str) -> str:
    """Write why a rule is as it is, with the faults that it names in words."""
    return _NAME.sub(lambda found: f"\u201c{FAULTS.get(found[0], found[0])}\u201d", reason)


def percent(share: float) -> str:
    """Write a probability; never as certain or impossible."""
    if share > _SURE:
        return "more than 99 %"
    return "less than 1 %" if share < _HARDLY else f"{100 * share:.0f} %"


def explanation_name(explanation: Explanation) -> str:
    """Name an explanation and where it lies."""
    if explanation.fault == "none":
        return "No leak: use of air"
    name = fault_name(explanation.fault)
    if explanation.fault == "leak_trailer":
        return f"{name} {explanation.trailer}" if explanation.trailer else name
    is_named = explanation.circuit is None or explanation.fault == f"leak_{explanation.circuit}"
    return name if is_named else f"{name}, {explanation.circuit} circuit"


def evidence_lines(explanation: Explanation) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Give what speaks for and what speaks against an explanation beside the best other one, with how much."""
    lines = [(e.seen, _strength(abs(e.speaks)), e.speaks > 0) for e in explanation.evidence]
    ordered: Sequence[tuple[str, str, bool]] = [line for line in lines if line[1]]
    return [line[:2] for line in ordered if line[2]], [line[:2] for line in reversed(ordered) if not line[2]]


def _strength(speaks: float) -> str:
    return next((word for least, word in _FOR if speaks >= least), "")


def suggested_change(state: str, allowed: Sequence[str]) -> str:
    """Give the change that is most likely meant: the next step on the way, or else a note."""
    steps = ("acknowledged", "planned", "repaired")
    begin = steps.index(state) + 1 if state in steps else 0
    return next((step for step in steps[begin:] if step in allowed), "noted")
