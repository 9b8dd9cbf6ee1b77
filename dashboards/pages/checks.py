"""One check over the whole fleet, and all of them."""

from typing import Any

import polars as pl
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from dashboards.api.fleet_checks import CheckName, TestName, newest_of_check
from dashboards.distribution import FAR, summary
from dashboards.fleet import cut
from dashboards.inputs import BoardInput, PageMeasuresInput, PageNumber
from dashboards.measures import Measures
from dashboards.phrases import limit_text
from dashboards.templating import render
from dashboards.words import CHECKS, verdict_name

ROWS = 50

router = APIRouter()


@router.get("/checks")
def checks(request: Request, board: BoardInput, measures: PageMeasuresInput) -> HTMLResponse:
    """Show all checks with how many units stand how."""
    now = board.current()
    found = summary(now.readings, now.states.height)
    place = {check: at for at, check in enumerate(CHECKS)}
    rows = sorted(found.iter_rows(named=True), key=lambda row: (place.get(row["check"], len(place)), row["check"]))
    return render(request, "checks.html", measures=measures, rows=rows, n_units=now.states.height)


@router.get("/checks/{check}")
def check(
    request: Request,
    board: BoardInput,
    check: CheckName,
    measures: PageMeasuresInput,
    test: TestName = None,
    page: PageNumber = 1,
) -> HTMLResponse:
    """Show how one check's newest readings lie, and name those that stand apart."""
    now = board.current()
    tests = now.readings.filter(check=check)["test"].unique().sort(nulls_last=True).to_list()
    chosen = test or (next(iter(tests), None) if len(tests) > 1 else None)
    found = newest_of_check(now, check, chosen)
    part = cut(found, page=page, size=ROWS)
    if page > part.last:
        part = cut(found, page=part.last, size=ROWS)
    counts = {verdict: found.filter(verdict=verdict).height for verdict in ("fail", "watch", "unknown", "pass")}
    return render(
        request,
        "check.html",
        measures=measures,
        check=check,
        test=chosen,
        tests=[name for name in tests if name is not None],
        counts=[(verdict, verdict_name(verdict), count) for verdict, count in counts.items()],
        n_without=max(0, now.states.height - found.select("fleet", "unit").unique().height),
        n_apart=int(found["is_apart"].sum()),
        median=_median(found, measures),
        far=FAR,
        part=part,
        rows=[_row(row, measures) for row in part.rows.iter_rows(named=True)],
    )


def _median(found: pl.DataFrame, measures: Measures) -> str:
    middle = found["judged"].median()
    return measures.text(middle, str(found["measure"][0])) if isinstance(middle, float) else "\N{EN DASH}"


def _row(row: dict[str, Any], measures: Measures) -> dict[str, Any]:
    has_interval = row["judged_lower"] is not None and row["judged_upper"] is not None and row["measure"] != "count"
    ends = measures.number(row["judged_lower"], row["measure"]), measures.text(row["judged_upper"], row["measure"])
    interval = " to ".join(ends) if has_interval else ""
    return {
        **row,
        "value_text": measures.text(row["judged"], row["measure"]),
        "interval": interval,
        "limit": limit_text(row, measures),
        "verdict_word": verdict_name(row["verdict"]),
    }
