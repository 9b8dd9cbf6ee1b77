"""Which units would fail which check now, as a sheet to print."""

from typing import Annotated

import polars as pl
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from dashboards.fleet import cut, matching
from dashboards.inputs import BoardInput, PageMeasuresInput, PageNumber, Words
from dashboards.inspection import CELLS, INSPECTED, OLD_AFTER, Cell
from dashboards.templating import render

CELL_WORDS: dict[Cell, str] = {
    "fail": "fails",
    "unknown": "can't say",
    "watch": "watch",
    "pass": "within",
    "old": "old",
    "none": "no data",
}
"""`pass` is never shown as such: a reading within its limit clears nothing."""

HEADINGS = {
    "leak_static": "Leak, parked",
    "leak_released": "Leak, released",
    "leak_applied": "Leak, applied",
    "build_up_time": "Build-up",
    "governor_cut_out": "Cut-out",
    "low_air_warning": "Low-air warning",
    "protection_valve": "Protection valve",
    "abs_fault": "ABS codes",
    "abs_lamp": "ABS lamp",
}

router = APIRouter()


@router.get("/inspection")
def inspection(
    request: Request,
    board: BoardInput,
    measures: PageMeasuresInput,
    q: Words = "",
    fleet: Annotated[str, Query(max_length=64)] = "",
    shop: Annotated[str, Query(max_length=200)] = "",
    page: PageNumber = 1,
    size: Annotated[int, Query(ge=10, le=1000)] = 50,
) -> HTMLResponse:
    """Show units and checks."""
    now = board.current()
    whole = now.fleet(measures)
    kept = matching(whole.units, q=q, fleet=fleet, shop=shop).select("fleet", "unit")
    found = now.inspection.join(kept, on=["fleet", "unit"], how="semi", maintain_order="left")
    part = cut(found, page=page, size=size)
    if page > part.last:
        part = cut(found, page=part.last, size=size)
    return render(
        request,
        "inspection.html",
        measures=measures,
        newest=whole.newest,
        columns=[(check, HEADINGS[check]) for check in INSPECTED],
        totals={check: {cell: found.filter(pl.col(check) == cell).height for cell in CELLS} for check in INSPECTED},
        n_failing=found.filter(pl.col("n_fail") > 0).height,
        n_unsure=found.filter((pl.col("n_fail") == 0) & (pl.col("n_unknown") + pl.col("n_none") > 0)).height,
        n_units=whole.units.height,
        part=part,
        rows=list(part.rows.iter_rows(named=True)),
        cells=CELL_WORDS,
        from_codes=("abs_fault", "abs_lamp"),
        q=q,
        size=size,
        filters=[
            ("fleet", "Fleet", fleet, ["", *whole.choices["fleet"]]),
            ("shop", "Shop", shop, ["", *whole.choices["home_shop"]]),
        ],
        is_narrowed=bool(q or fleet or shop),
        old_days=OLD_AFTER.days,
    )
