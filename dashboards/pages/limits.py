"""The limit table with its sources."""

from itertools import groupby

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.limits.table import Limit, shipped_limits
from dashboards.inputs import MeasuresInput
from dashboards.measures import Measures
from dashboards.phrases import limit_text
from dashboards.templating import render
from dashboards.words import STATUS

router = APIRouter()


@router.get("/limits")
def limits(request: Request, measures: MeasuresInput) -> HTMLResponse:
    """Show what units are judged by."""
    sets = [(name, list(rows)) for name, rows in groupby(shipped_limits(), key=lambda limit: limit.rule_set)]
    return render(
        request,
        "limits.html",
        measures=measures,
        rule_sets=[
            (name, [(limit, _edges(limit, measures), STATUS[limit.status]) for limit in rows]) for name, rows in sets
        ],
    )


def _edges(limit: Limit, measures: Measures) -> str:
    row = {"limit_low": limit.canonical(limit.low), "limit_high": limit.canonical(limit.high), "measure": limit.measure}
    at = "" if limit.test is None else f" at {measures.text(limit.canonical(limit.test), 'kPa')}"
    scaled = " \N{MULTIPLICATION SIGN} actual / required reservoir volume" if limit.scale else ""
    text = limit_text(row, measures).removeprefix("limits ").removeprefix("limit ")
    return f"{text}{at}{scaled}"
