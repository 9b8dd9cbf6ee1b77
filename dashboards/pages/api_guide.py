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
    base = str(request.base_url).rstrip("/")
    return render(
        request,
        "api_guide.html",
        measures=measures,
        routes=[(path, verb, method, _curl(base, path, verb, method)) for path, verb, method in routes],
        openapi_url="/api/v1/openapi.json",
        base=base,
    )


_EXAMPLES = {
    "fleet": "north",
    "unit": "K-204",
    "alert": "772011b3fce89477",
    "check": "leak_static",
    "id_": "3f9c2a71b0de",
    "work_order": "5f0c9a61d27e",
    "entry": "5f0c2a9e77b14d0c",
    "campaign": "spring-week",
    "outcome": "5f0c2a9e77b14d0d",
}
_AS = '-H "Authorization: Bearer $TOKEN"'
_BODIES = {
    "TokenAsked": '{"label": "nightly export", "scope": "read", "days": 90}',
    "ChangeAsked": '{"change": "acknowledged", "reason": "looked at"}',
    "PlanAsked": '{"why": "week 10"}',
    "MoveAsked": '{"why": "driver away", "jobs": ["772011b3fce89477"], "bay": "bay 1",'
    ' "start": "2031-03-03T06:00:00Z"}',
    "FixAsked": '{"why": "customer waits", "job": "772011b3fce89477", "is_fixed": true}',
    "OrderChangeAsked": '{"change": "in_work"}',
    "EntriesSent": '{"entries": [{"id": "a1", "taken_at": "2031-02-03T11:00:00Z", "by": "Ada", "item": "stroke",'
    ' "position": "2L", "value": "1 3/4", "measure": "in"}]}',
    "CorrectionSent": '{"who": "Ada", "why": "wrong mark", "entry": {"id": "a2", "taken_at": "2031-02-03T11:00:00Z",'
    ' "by": "Ada", "item": "stroke", "position": "2L", "value": "1 1/2", "measure": "in"}}',
    "TakenBack": '{"id": "a3", "who": "Ada", "why": "another vehicle"}',
    "CampaignSent": '{"id": "spring-week", "fleet": "north", "name": "Spring week", "first_day": "2031-03-10",'
    ' "last_day": "2031-03-14", "items": ["stroke", "hoses"], "who": "Ada"}',
    "CampaignCorrection": '{"id": "spring-2", "name": "Spring week", "first_day": "2031-03-17",'
    ' "last_day": "2031-03-21", "items": ["stroke"], "who": "Ada", "why": "moved by a week"}',
    "OutcomesSent": '{"who": "Ada", "outcomes": [{"id": "o1", "unit": "K-204", "item": "stroke", "passed": true,'
    ' "seen_at": "2031-03-11T09:00:00Z"}]}',
    "OutcomeCorrection": '{"who": "Ada", "why": "wrong unit", "outcome": {"id": "o2", "unit": "K-204",'
    ' "item": "stroke", "passed": false, "seen_at": "2031-03-11T09:00:00Z"}}',
    "NoteAsked": '{"text": "drain valve weeps"}',
}


def _curl(base: str, path: str, verb: str, method: dict[str, Any]) -> str:
    """Write a request that can be pasted into a shell; names in it are made up."""
    address = f"{base}{path.format_map(_EXAMPLES)}"
    if verb == "POST":
        content = method.get("requestBody", {}).get("content", {})
        if "text/csv" in content:
            return f"curl {_AS} -H 'Content-Type: text/csv' --data-binary @FILE.csv '{address}'"
        if not content:
            return f"curl {_AS} -H 'Content-Type: application/json' -d '{{}}' '{address}'"
        schema = content["application/json"]["schema"]["$ref"].rpartition("/")[2]
        return f"curl {_AS} -H 'Content-Type: application/json' -d '{_BODIES[schema]}' '{address}'"
    names = {parameter["name"] for parameter in method.get("parameters", ())}
    query = "?format=parquet&size=1000" if {"format", "size"} <= names else ""
    name = path.rpartition("/")[2].strip("{}")
    if verb == "DELETE":
        return f"curl {_AS} -X DELETE '{address}'"
    return f"curl {_AS} '{address}{query}'" + (f" -o {name}.parquet" if query else "")


def _with_fields(method: dict[str, Any], schemas: dict[str, Any]) -> dict[str, Any]:
    """Add the fields of the body that a route takes, if it takes one."""
    content = method.get("requestBody", {}).get("content", {})
    if "application/json" not in content:
        return {**method, "fields": {}}
    name = content["application/json"]["schema"]["$ref"].rpartition("/")[2]
    return {**method, "fields": schemas[name]["properties"]}
