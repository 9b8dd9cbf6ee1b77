"""What the API has, read from its own description."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from dashboards.inputs import PageMeasuresInput
from dashboards.templating import render

router = APIRouter()


@router.get("/api")
def api_guide(request: Request, measures: PageMeasuresInput) -> HTMLResponse:
    """List the routes of the API."""
    described: dict[str, Any] = request.app.openapi()
    routes = [(path, methods["get"]) for path, methods in described["paths"].items()]
    return render(request, "api_guide.html", measures=measures, routes=routes, openapi_url=request.app.openapi_url)
