"""What routes that take a body have in common."""

from typing import Annotated, Any

from fastapi import Header

from dashboards.api.models import Problem
from dashboards.errors import BodyError

PROBLEM: dict[str, Any] = {"model": Problem, "content": {"application/problem+json": {}}}


async def json_only(content_type: Annotated[str, Header(description="application/json")] = "") -> None:
    """Refuse all bodies that a form on a page from elsewhere could send without asking first."""
    if content_type.partition(";")[0].strip().lower() != "application/json":
        raise BodyError("The body must be JSON: send it with Content-Type: application/json.")
