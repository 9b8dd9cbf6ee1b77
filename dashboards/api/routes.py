"""All routes of version 1."""

from fastapi import APIRouter

from dashboards.access import api as access
from dashboards.access.needs import needs
from dashboards.api import (
    alerts,
    campaigns,
    checks,
    description,
    fleet_checks,
    hand,
    landing,
    limits,
    notes,
    plan,
    pressure,
    units,
    work_orders,
)
from dashboards.api.models import Problem

PREFIX = "/api/v1"

_PROBLEM = {"model": Problem, "content": {"application/problem+json": {}}}

router = APIRouter(
    prefix=PREFIX,
    dependencies=[needs("read")],
    responses={
        401: {**_PROBLEM, "description": "Nobody has signed in, or the token opens nothing."},
        403: {**_PROBLEM, "description": "Whoever asks may not do this."},
        404: {**_PROBLEM, "description": "No such unit or check."},
        422: {**_PROBLEM, "description": "A parameter is wrong."},
    },
)
for _part in (
    units,
    notes,
    alerts,
    plan,
    work_orders,
    hand,
    campaigns,
    pressure,
    checks,
    fleet_checks,
    limits,
    landing,
    access,
    description,
):
    router.include_router(_part.router)
