"""Where the reader chooses the unit of pressure and the time zone."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from dashboards.inputs import PageMeasuresInput
from dashboards.reader import zone_names
from dashboards.templating import render

router = APIRouter()


@router.get("/display")
def display(request: Request, measures: PageMeasuresInput) -> HTMLResponse:
    """Show the choices, and keep one that comes with the query."""
    return render(request, "display.html", measures=measures, zones=zone_names())
