"""All pages."""

from fastapi import APIRouter

from dashboards.pages import alert, alerts, api_guide, fleet, landing, limits, unit

router = APIRouter(include_in_schema=False)
for _part in (fleet, alerts, alert, unit, landing, limits, api_guide):
    router.include_router(_part.router)
