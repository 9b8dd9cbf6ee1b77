"""Hand measurements in words: values, limits and verdicts in the unit in which they were typed."""

from collections.abc import Mapping
from fractions import Fraction
from functools import cache
from typing import Any

from airwatch.hand.frames import Wheel
from airwatch.hand.lengths import UNITS_OF, inches_text
from airwatch.hand.share import Brake, DefectiveShare
from airwatch.hand.tables import Item, shipped_tables
from dashboards.judged import rules
from dashboards.words import STATUS, verdict_name

Row = Mapping[str, Any]

_ROUNDING = 1e-6  # sixteenths of an inch

GROUPS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("stroke", "Push-rod strokes", ("stroke",)),
    ("lining", "Linings and pads", ("lining_drum", "lining_disc", "lining")),
    ("brake", "Brakes, drums and rotors by eye", ("brake", "drum_rotor")),
    ("hose", "Hoses", ("hose",)),
    ("lamp", "Lamps and warning", ("abs_lamp", "low_air_lamp", "low_air_warning")),
    ("valve", "Valve pop-out, governor", ("pop_out", "governor_cut_out", "governor_cut_in")),
    ("timed", "Timed build-up and air loss", ("build_up", "leak_static", "leak_released", "leak_applied")),
)
"""Groups of the form: name, heading, items. A test holds that every item stands in one."""


def item_of(name: str) -> Item | None:
    """Give an item of the table."""
    return shipped_tables().items.get(name)


def item_says(name: str) -> str:
    """Name an item."""
    item = item_of(name)
    return name if item is None else item.says


def finding_says(item: str, finding: str | None) -> str:
    """Say what was found."""
    if finding is None:
        return ""
    row = shipped_tables().findings.get((item, finding))
    return finding.replace("_", " ") if row is None else row.says


def position_says(position: str | None) -> str:
    """Say where a position is; ``1L`` becomes axle 1 left."""
    wheel = Wheel.parse(position)
    if wheel is not None:
        return f"axle {wheel.axle} {'left' if wheel.side == 'L' else 'right'}"
    return position or ""


def amount(canonical: float | None, measure: str | None, item: str) -> str:
    """Write a canonical value in the unit that was typed; inches as on a tape."""
    row = item_of(item)
    if canonical is None or measure is None or row is None or measure not in UNITS_OF.get(row.dimension, {}):
        return ""
    if measure == "in":
        sixteenths = canonical / 25.4 * 16
        return (
            inches_text(canonical) if abs(sixteenths - round(sixteenths)) < _ROUNDING else f"{canonical / 25.4:.3g} in"
        )
    return f"{canonical / UNITS_OF[row.dimension][measure]:.3g} {measure}"


def typed(row: Row) -> str:
    """Write what was typed: a value with its unit, or the finding."""
    if row["value"] is None:
        return finding_says(row["item"], row["finding"])
    text = amount(row["canonical"], row["measure"], row["item"]) or f"{row['value']:g} {row['measure']}"
    return f"{text}, at idle" if row["finding"] == "idle" else text


def interval(row: Row) -> str:
    """Write the 95 % interval of a value; empty for a finding."""
    if row["canonical"] is None or row["lower"] is None:
        return ""
    low, high = (amount(row[name], row["measure"], row["item"]) for name in ("lower", "upper"))
    return f"{low.removesuffix(' ' + row['measure'])} to {high}"


def limit(row: Row) -> str:
    """Write the limit that governs a value."""
    low, high = (amount(row[name], row["measure"], row["item"]) for name in ("limit_low", "limit_high"))
    if low and high:
        return f"{low.removesuffix(' ' + row['measure'])} to {high}"
    return f"at most {high}" if high else f"at least {low}" if low else ""


@cache
def _sources() -> dict[str, tuple[str, str]]:
    tables = shipped_tables()
    found: dict[str, tuple[str, str]] = {
        chamber.rule: (chamber.source, chamber.status) for chamber in tables.chambers.values()
    }
    found |= {lining.id: (lining.source, lining.status) for lining in tables.linings}
    found |= {f"{row.item}-{row.id}": (row.source, row.status) for row in tables.findings.values()}
    for id_, rule in rules().items():
        found[id_] = (" ".join(filter(None, (rule.source, rule.section))), rule.status)
    return found


def source_of(rule: str | None) -> str:
    """Say where the rule that judged an entry stands, and how well its text is known."""
    if rule is None or rule not in _sources():
        return ""
    source, status = _sources()[rule]
    known = STATUS[status]
    return known if not source else f"{source}; {known}"


def judged_says(row: Row) -> str:
    """Say in one sentence what became of an entry: the verdict, against what, and why it can't be said."""
    by = f" ({limit(row)})" if limit(row) else ""
    text = f"{verdict_name(row['verdict'])}{by}"
    if row["verdict"] == "unknown" and (row["limit_low"] is not None or row["limit_high"] is not None):
        text += f"; as a reading it is {interval(row)}, which reaches over the limit"
    elif row["verdict"] == "unknown":
        text += "; no limit is known for it"
    return f"{text}; {row['remark']}" if row["remark"] and row["value"] is not None else text


def halves(count: Fraction) -> str:
    """Write a count of brakes, which may end on a half."""
    whole, part = divmod(count, 1)
    if not part:
        return str(whole)
    half = "\N{VULGAR FRACTION ONE HALF}" if part == Fraction(1, 2) else f" {part}"
    return f"{whole or ''}{half}"


def brake_says(brake: Brake) -> str:
    """Say why a brake counts as it does."""
    bad = [row for row in brake.entries if row["verdict"] in ("fail", "watch", "unknown")]
    told = [f"{_short(row)} {typed(row)}{f', {limit(row)}' if limit(row) else ''}" for row in bad or brake.entries]
    if not brake.is_measured:
        told.append("stroke not measured, so it may be defective")
    elif brake.least != brake.most:
        told.append(f"may count {halves(brake.least)} to {halves(brake.most)}, a tape being what it is")
    return "; ".join(told)


def _short(row: Row) -> str:
    return str(row["item"]).replace("_", " ") + ":"


def share_says(share: DefectiveShare) -> str:
    """Say what the share of defective brakes comes to."""
    rule = shipped_tables().share
    out = Fraction(rule.out_share).limit_denominator(1000) * share.n_brakes
    says = {
        "fail": f"That puts it out of service: {halves(out)} or more of {share.n_brakes} do.",
        "pass": f"Fewer than the {halves(out)} of {share.n_brakes} that put it out of service, as far as was measured."
        " That clears nothing.",
        "unknown": f"Whether that is under the {halves(out)} of {share.n_brakes} that put it out of service can't be"
        " said.",
    }
    return says[share.verdict]
