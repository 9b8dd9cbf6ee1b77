"""The limit table with its sources."""

from dataclasses import dataclass
from itertools import groupby

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.limits.table import Limit, shipped_limits
from dashboards.inputs import PageMeasuresInput
from dashboards.measures import Measures
from dashboards.phrases import is_in_own_unit, own_text, rule_text
from dashboards.templating import render
from dashboards.words import STATUS, breach_name, rule_set_name

router = APIRouter()


@dataclass(frozen=True, slots=True)
class LimitLine:
    """One row of the table in words; ``own`` is the figure as its source has it, where the shown one is converted.

    ``elsewhere`` is its jurisdiction where that is not the one of its rule set.
    """

    limit: Limit
    text: str
    own: str
    breach: str
    status: str
    elsewhere: str


@router.get("/limits")
def limits(request: Request, measures: PageMeasuresInput) -> HTMLResponse:
    """Show what units are judged by."""
    sets = [(name, list(rows)) for name, rows in groupby(shipped_limits(), key=lambda limit: limit.rule_set)]
    return render(
        request,
        "limits.html",
        measures=measures,
        rule_sets=[
            (name, rule_set_name(name), [_line(limit, rows[0].jurisdiction, measures) for limit in rows])
            for name, rows in sets
        ],
    )


def _line(limit: Limit, jurisdiction: str, measures: Measures) -> LimitLine:
    return LimitLine(
        limit=limit,
        text=rule_text(limit, measures),
        own="" if is_in_own_unit(limit, measures) else own_text(limit),
        breach=breach_name(limit.breach),
        status=STATUS[limit.status],
        elsewhere="" if limit.jurisdiction == jurisdiction else limit.jurisdiction,
    )
