"""All pages."""

from fastapi import APIRouter

from dashboards.access.needs import needs
from dashboards.pages import (
    alert,
    alerts,
    api_guide,
    campaigns,
    checks,
    display,
    fleet,
    hand,
    inspection,
    landing,
    limits,
    live,
    plan,
    unit,
    work_order,
)

router = APIRouter(include_in_schema=False, dependencies=[needs("read")])
for _part in (
    fleet,
    alerts,
    alert,
    plan,
    work_order,
    unit,
    hand,
    campaigns,
    checks,
    inspection,
    landing,
    limits,
    live,
    api_guide,
    display,
):
    router.include_router(_part.router)
