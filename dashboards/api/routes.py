"""All routes of version 1."""

from fastapi import APIRouter

from dashboards.api import alerts, checks, fleet_checks, landing, limits, notes, pressure, units
from dashboards.api.models import Problem

PREFIX = "/api/v1"

_PROBLEM = {"model": Problem, "content": {"application/problem+json": {}}}

router = APIRouter(
    prefix=PREFIX,
    responses={
        404: {**_PROBLEM, "description": "No such unit or check."},
        422: {**_PROBLEM, "description": "A parameter is wrong."},
    },
)
for _part in (units, notes, alerts, pressure, checks, fleet_checks, limits, landing):
    router.include_router(_part.router)
