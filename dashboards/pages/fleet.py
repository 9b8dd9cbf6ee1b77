"""The fleet in order of need."""

from datetime import UTC, datetime
from itertools import groupby
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from airwatch.store.results import landing_counts
from dashboards.fleet import cut, matching, read_fleet
from dashboards.inputs import HealthInput, PageMeasuresInput, PageNumber, StoreInput, Words
from dashboards.need import NEEDS, Need
from dashboards.templating import render

ROWS = 50
HEADINGS: dict[Need, str] = {
    "alert": "Open alert",
    "fail": "Newest reading beyond its limit",
    "watch": "Newest reading to watch",
    "silent": "Silent",
    "unmeasured": "Not measured",
    "quiet": "Nothing found",
}
router = APIRouter()


@router.get("/")
def fleet(
    request: Request,
    store: StoreInput,
    health: HealthInput,
    measures: PageMeasuresInput,
    page: PageNumber = 1,
    q: Words = "",
    need: Annotated[Need | None, Query()] = None,
) -> HTMLResponse:
    """Show one page of the fleet."""
    whole = read_fleet(store, measures)
    found = matching(whole.units, q=q, need=need)
    part = cut(found, page=page, size=ROWS)
    if page > part.last:
        part = cut(found, page=part.last, size=ROWS)
    rows: list[dict[str, Any]] = list(part.rows.iter_rows(named=True))
    return render(
        request,
        "fleet.html",
        measures=measures,
        bands=[(HEADINGS[name], list(band)) for name, band in groupby(rows, key=lambda row: row["need"])],
        counts=[(name, HEADINGS[name], whole.counts[name]) for name in NEEDS],
        n_units=whole.units.height,
        n_silent=int(whole.units["is_silent"].sum()),
        newest=whole.newest,
        age=None if health is None or whole.newest is None else datetime.now(UTC).replace(tzinfo=None) - whole.newest,
        part=part,
        q=q,
        need=need,
        landed=landing_counts(store),
        health=health,
    )
