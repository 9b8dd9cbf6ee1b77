"""The fleet in order of need."""

from datetime import UTC, datetime
from itertools import groupby
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from dashboards.data_state import DATA_STATES, DataState
from dashboards.fleet import ORDERS, Fleet, Order, cut, in_order, matching
from dashboards.inputs import BoardInput, HealthInput, PageMeasuresInput, PageNumber, Words
from dashboards.need import Need
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
DATA_WORDS: dict[DataState, str] = {
    "never": "never heard",
    "silent": "silent",
    "faulty": "with faults",
    "arriving": "arriving",
}
ORDER_WORDS: dict[Order, str] = {
    "need": "need",
    "unit": "name",
    "shop": "shop, then need",
    "since": "longest standing",
    "heard": "longest not heard of",
}
router = APIRouter()


@router.get("/")
def fleet(
    request: Request,
    board: BoardInput,
    health: HealthInput,
    measures: PageMeasuresInput,
    page: PageNumber = 1,
    q: Words = "",
    need: Annotated[Need | Literal[""], Query()] = "",
    data: Annotated[DataState | Literal[""], Query()] = "",
    fleet: Annotated[str, Query(max_length=64)] = "",
    shop: Annotated[str, Query(max_length=200)] = "",
    kind: Annotated[str, Query(max_length=64)] = "",
    order: Annotated[Order, Query()] = "need",
) -> HTMLResponse:
    """Show one page of the fleet."""
    now = board.current()
    whole = now.fleet(measures)
    asked = {"need": need or None, "data": data or None, "fleet": fleet, "shop": shop, "kind": kind}
    found = in_order(matching(whole.units, q=q, **asked), order)  # type: ignore[arg-type]
    part = cut(found, page=page, size=ROWS)
    if page > part.last:
        part = cut(found, page=part.last, size=ROWS)
    rows: list[dict[str, Any]] = [
        {**row, "spark": now.sparks.get((row["fleet"], row["unit"]))} for row in part.rows.iter_rows(named=True)
    ]
    return render(
        request,
        "fleet.html",
        measures=measures,
        bands=_bands(rows, order),
        counts=[(name, HEADINGS[name], count) for name, count in whole.counts.items()],
        n_units=whole.units.height,
        data_counts=[(name, DATA_WORDS[name], whole.data_counts[name]) for name in reversed(DATA_STATES)],
        newest=whole.newest,
        age=None if health is None or whole.newest is None else datetime.now(UTC).replace(tzinfo=None) - whole.newest,
        part=part,
        q=q,
        asked={**asked, "order": order},
        filters=_filters(whole, fleet, shop, kind, order),
        is_narrowed=bool(q or any(asked.values())),
        landed=now.landed,
        health=health,
    )


def _bands(rows: list[dict[str, Any]], order: Order) -> list[tuple[str, list[dict[str, Any]]]]:
    """Give rows under headings: by need, or under one where they stand in another order."""
    if order != "need":
        return [(f"By {ORDER_WORDS[order]}", rows)] if rows else []
    return [(HEADINGS[name], list(band)) for name, band in groupby(rows, key=lambda row: row["need"])]


def _filters(
    whole: Fleet, fleet: str, shop: str, kind: str, order: Order
) -> list[tuple[str, str, str, list[tuple[str, str]]]]:
    """Give name, label, choice and choices of each field that narrows or sorts; those without a choice are left out."""
    columns = (("fleet", "Fleet", fleet, "fleet"), ("shop", "Shop", shop, "home_shop"), ("kind", "Kind", kind, "kind"))
    narrowing = [
        (name, label, chosen, [("", "any"), *((value, value) for value in whole.choices[column])])
        for name, label, chosen, column in columns
    ]
    fields = [row for row in narrowing if len(row[3]) > 2 or row[2]]  # noqa: PLR2004 any, and one value
    return [*fields, ("order", "Sort by", order, [(name, ORDER_WORDS[name]) for name in ORDERS])]
