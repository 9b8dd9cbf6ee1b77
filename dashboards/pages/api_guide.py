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
    routes = [
        (path, verb.upper(), _with_fields(method, described["components"]["schemas"]))
        for path, methods in described["paths"].items()
        for verb, method in methods.items()
    ]
    return render(request, "api_guide.html", measures=measures, routes=routes, openapi_url=request.app.openapi_url)


def _with_fields(method: dict[str, Any], schemas: dict[str, Any]) -> dict[str, Any]:
    """Add the fields of the body that a route takes, if it takes one."""
    if "requestBody" not in method:
        return {**method, "fields": {}}
    name = method["requestBody"]["content"]["application/json"]["schema"]["$ref"].rpartition("/")[2]
    return {**method, "fields": schemas[name]["properties"]}
