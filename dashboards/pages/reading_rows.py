"""Readings as a page shows them beside their limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.table import Limit
from dashboards.bullet import Bullet, bullet
from dashboards.differing import differing
from dashboards.judged import rules, with_judged
from dashboards.measures import Measures
from dashboards.phrases import is_in_own_unit, limit_text, own_text, rule_text
from dashboards.words import STATUS, check_name, rule_set_name, verdict_name


@dataclass(frozen=True, slots=True)
class OtherRule:
    """A rule that says otherwise than the one that governs."""

    id: str
    text: str
    whose: str
    status: str


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading in words; ``measured`` is what was measured where that is not what is judged.

    ``own`` is what the governing rule's source writes, where that is in another unit or at other conditions than shown.
    """

    name: str
    where: str
    start: datetime
    end: datetime
    value: str
    interval: str
    measured: str
    limit: str
    rule: str
    own: str
    source: str
    source_status: str
    condition: str
    verdict: str
    verdict_word: str
    state: str
    note: str
    others: list[OtherRule]
    figure: Bullet | None


_ORDER = {"fail": 0, "watch": 1, "unknown": 2, "pass": 3}


def reading_rows(readings: pl.DataFrame, measures: Measures) -> list[ReadingRow]:
    """Write out readings, those beyond a limit first."""
    rows = sorted(with_judged(readings).iter_rows(named=True), key=lambda row: _ORDER[row["verdict"]])
    return [_row(row, measures) for row in rows]


def _row(row: Mapping[str, Any], measures: Measures) -> ReadingRow:
    measure, rule = row["measure"], rules().get(row["rule"])
    has_interval = row["judged_lower"] is not None and row["judged_upper"] is not None
    interval = (
        f"95 %: {measures.number(row['judged_lower'], measure)} to {measures.text(row['judged_upper'], measure)}"
        if has_interval
        else ""
    )
    if measure == "count":
        interval = ""
    return ReadingRow(
        name=check_name(row["check"]),
        where=_where(row),
        start=row["start"],
        end=row["end"],
        value=measures.text(row["judged"], measure),
        interval=interval,
        measured=_measured(row, measures),
        limit=limit_text(row, measures),
        rule=row["rule"] or "",
        own="" if rule is None else _own(rule, measures),
        source="" if rule is None else _source(rule),
        source_status="" if rule is None else STATUS[rule.status],
        condition="" if rule is None else rule.condition,
        verdict=row["verdict"],
        verdict_word=verdict_name(row["verdict"]),
        state=row["state"] or "",
        note=measures.sentence(row["note"] or ""),
        others=[] if rule is None else [_other(other, measures) for other in differing(rule)],
        figure=bullet(
            row["judged"],
            row["judged_lower"],
            row["judged_upper"],
            limit_low=row["limit_low"],
            limit_high=row["limit_high"],
            from_zero=measure != "kPa",
        ),
    )


def _where(row: Mapping[str, Any]) -> str:
    parts = [
        row["test"] or "",
        f"{row['circuit']} circuit" if row["circuit"] else "",
        (row["part"] or "").replace("_", " "),
        f"trailer {row['trailer']}" if row["trailer"] else "",
    ]
    return ", ".join(part for part in parts if part)


def _source(rule: Limit) -> str:
    return ", ".join(part for part in (rule.source, rule.section) if part)


def _own(rule: Limit, measures: Measures) -> str:
    """Give the rule's own figure where the limit shown is converted, scaled or referred to another engine speed."""
    has_terms = rule.scale or rule.at_rpm or rule.share_of_cut_out
    figure = "" if is_in_own_unit(rule, measures) else own_text(rule)
    return ", ".join(part for part in (figure, rule_text(rule, measures) if has_terms else "") if part)


def _other(rule: Limit, measures: Measures) -> OtherRule:
    own = "" if is_in_own_unit(rule, measures) else own_text(rule)
    has_figure = rule.low is not None or rule.high is not None
    whose = [rule_set_name(rule.rule_set), _source(rule), "" if has_figure else rule.condition]
    return OtherRule(
        id=rule.id,
        text=f"{rule_text(rule, measures)}{f' ({own})' if own else ''}",
        whose=": ".join(part for part in whose if part),
        status=STATUS[rule.status],
    )


def _measured(row: Mapping[str, Any], measures: Measures) -> str:
    if row["test_kpa"] is None:
        return ""
    at, reference = measures.text(row["test_kpa"], "kPa"), measures.text(REFERENCE_KPA, "kPa")
    return f"at the rule's {at}; {measures.text(row['value'], row['measure'])} at {reference}"
