"""Checks over the whole fleet: how readings lie, and which units would fail what."""

from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, Field, create_model

from dashboards.api.models import Figure, Page, Reading, ReadingPage
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.board import Snapshot
from dashboards.data_state import DataState
from dashboards.distribution import bars, summary, with_apart
from dashboards.errors import NotFoundError
from dashboards.figures.distribution import distribution_figure
from dashboards.fleet import cut, matching
from dashboards.inputs import BoardInput, MeasuresInput, PageNumber, PageSize, Words
from dashboards.inspection import INSPECTED, Cell
from dashboards.measures import Measures
from dashboards.palette import PALETTES, Scheme

router = APIRouter(tags=["fleet"])

CheckName = Annotated[str, Path(max_length=64, description="Check, as in a reading.", examples=["build_up_time"])]
TestName = Annotated[str | None, Query(max_length=64, description="Only this test of the check.")]


class CheckSummary(BaseModel):
    """How many units stand how in one check, by the gravest of each unit's newest readings."""

    check: str
    n_units: Annotated[int, Field(description="Units that have a reading.")]
    n_fail: int
    n_watch: int
    n_unknown: int
    n_pass: int
    n_no_data: Annotated[int, Field(description="Units without a reading: nothing is known of them.")]


class CheckSummaries(Page):
    """All checks that have readings."""

    checks: list[CheckSummary]


class _UnitCells(BaseModel):
    """What each check says of one unit now. No reading clears a vehicle; old and none say that nothing is known."""

    fleet: str
    unit: str
    kind: str | None
    home_shop: str | None
    data: DataState
    n_fail: int
    n_unknown: int
    n_watch: int
    n_none: Annotated[int, Field(description="Checks without a reading, or with an old one only.")]


UnitCells = create_model("UnitCells", __base__=_UnitCells, **dict.fromkeys(INSPECTED, (Cell, ...)))  # type: ignore[call-overload]


class InspectionPage(Page):
    """Units, those that would fail most first."""

    units: list[UnitCells]  # type: ignore[valid-type]


@router.get("/checks", summary="Checks over the fleet", responses=TABLE, response_model=CheckSummaries)
def checks(board: BoardInput, form: FormatInput, page: PageNumber = 1, size: PageSize = 100) -> Any:
    """Give each check that has readings, with how many units stand how."""
    now = board.current()
    part = cut(summary(now.readings, now.states.height), page=page, size=size)
    if form != "json":
        return as_file(part, form, "checks")
    rows = [CheckSummary.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return CheckSummaries(page=page, size=size, total=part.total, checks=rows)


@router.get(
    "/checks/{check}/readings", summary="Newest readings of one check", responses=TABLE, response_model=ReadingPage
)
def readings(
    board: BoardInput,
    check: CheckName,
    form: FormatInput,
    test: TestName = None,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> Any:
    """Give every unit's newest readings of one check, those beyond a limit first, then those that stand apart."""
    part = cut(newest_of_check(board.current(), check, test), page=page, size=size)
    if form != "json":
        return as_file(part, form, f"{check}-readings")
    rows = [Reading.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return ReadingPage(page=page, size=size, total=part.total, readings=rows)


@router.get("/checks/{check}/figure", summary="Newest readings of one check as a figure")
def figure(
    board: BoardInput,
    check: CheckName,
    measures: MeasuresInput,
    test: TestName = None,
    scheme: Annotated[Scheme, Query(description="Colours for light or dark pages.")] = "light",
) -> Figure:
    """Give how the newest readings lie over the fleet as a Plotly figure, with the limits that judge them."""
    found = newest_of_check(board.current(), check, test)
    return Figure(**distribution_figure(found, bars(found), measures=measures, palette=PALETTES[scheme]))


@router.get("/inspection", summary="What units would fail now", responses=TABLE, response_model=InspectionPage)
def inspection(
    board: BoardInput,
    form: FormatInput,
    q: Words = "",
    fleet: Annotated[str | None, Query(max_length=64, description="Only this fleet.")] = None,
    shop: Annotated[str | None, Query(max_length=200, description="Only units of this home shop.")] = None,
    page: PageNumber = 1,
    size: PageSize = 100,
) -> Any:
    """Give by unit and check what the newest readings say, with 'unknown' and 'none' as answers of their own.

    A reading finds work; it never clears a vehicle.
    """
    now = board.current()
    kept = matching(now.fleet(Measures()).units, q=q, fleet=fleet, shop=shop).select("fleet", "unit")
    part = cut(now.inspection.join(kept, on=["fleet", "unit"], how="semi", maintain_order="left"), page=page, size=size)
    if form != "json":
        return as_file(part, form, "inspection")
    rows = [UnitCells.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return InspectionPage(page=page, size=size, total=part.total, units=rows)


def newest_of_check(now: Snapshot, check: str, test: str | None) -> pl.DataFrame:
    """Give the newest readings of one check that have a value, as `dashboards.distribution.with_apart` sorts them.

    Raises
    ------
    NotFoundError
        There is none of any unit.
    """
    found = now.readings.filter(pl.col("check") == check)
    if test is not None:
        found = found.filter(pl.col("test") == test)
    if found.is_empty():
        of_test = "" if test is None else f", test {test!r}"
        raise NotFoundError(f"No unit has a reading of the check {check!r}{of_test}; see /checks for those there are.")
    return with_apart(found)
