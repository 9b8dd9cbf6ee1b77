"""The limit table."""

from typing import Any

import msgspec
import polars as pl
from fastapi import APIRouter

from airwatch.limits.table import shipped_limits
from dashboards.api.models import LimitRow, LimitTable
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.fleet import cut
from dashboards.inputs import PageNumber, PageSize

router = APIRouter(tags=["limits"])


@router.get("/limits", summary="The limit table", responses=TABLE, response_model=LimitTable)
def limits(form: FormatInput, page: PageNumber = 1, size: PageSize = 1000) -> Any:
    """Give every limit with its source, and how well that source is known."""
    rows = [msgspec.structs.asdict(limit) for limit in shipped_limits()]
    part = cut(pl.DataFrame(rows, infer_schema_length=None), page=page, size=size)
    if form != "json":
        return as_file(part, form, "limits")
    return LimitTable(
        page=page,
        size=size,
        total=part.total,
        limits=[LimitRow.model_validate(row) for row in part.rows.iter_rows(named=True)],
    )
