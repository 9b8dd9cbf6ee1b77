"""The limit table."""

import msgspec
from fastapi import APIRouter

from airwatch.limits.table import shipped_limits
from dashboards.api.models import LimitRow, LimitTable

router = APIRouter(tags=["limits"])


@router.get("/limits", summary="The limit table")
async def limits() -> LimitTable:
    """Give every limit with its source, and how well that source is known."""
    return LimitTable(limits=[LimitRow.model_validate(msgspec.structs.asdict(limit)) for limit in shipped_limits()])
