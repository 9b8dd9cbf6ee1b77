"""The API's description of itself."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse

router = APIRouter(include_in_schema=False)


@router.get("/openapi.json")
def openapi(request: Request) -> JSONResponse:
    """Give the description, OpenAPI 3.1."""
    described: dict[str, Any] = request.app.openapi()
    return JSONResponse(described)
