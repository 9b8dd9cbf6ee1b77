"""Readings as a page shows them beside their limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from airwatch.limits.judge import REFERENCE_KPA
from dashboards.bullet import Bullet, bullet
from dashboards.judged import rules, with_judged
from dashboards.measures import Measures
from dashboards.phrases import limit_text
from dashboards.words import STATUS, check_name, verdict_name


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading in words; ``measured`` is what was measured where that is not what is judged."""

    name: str
    where: str
    start: datetime
    end: datetime
    value: str
    interval: str
    measured: str
    limit: str
    rule: str
    source: str
    source_status: str
    condition: str
    verdict: str
    verdict_word: str
    note: str
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
    source = "" if rule is None else ", ".join(part for part in (rule.source, rule.section) if part)
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
        source=source,
        source_status="" if rule is None else STATUS[rule.status],
        condition="" if rule is None else rule.condition,
        verdict=row["verdict"],
        verdict_word=verdict_name(row["verdict"]),
        note=row["note"] or "",
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
        f"{row['circuit']} circuit" if row["circuit"] else "",
        f"trailer {row['trailer']}" if row["trailer"] else "",
    ]
    return ", ".join(part for part in parts if part)


def _measured(row: Mapping[str, Any], measures: Measures) -> str:
    if row["test_kpa"] is None:
        return ""
    at, reference = measures.text(row["test_kpa"], "kPa"), measures.text(REFERENCE_KPA, "kPa")
    return f"at the rule's {at}; {measures.text(row['value'], row['measure'])} at {reference}"
