"""What came in, and what was set aside."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.store.results import landing_counts, rejects
from dashboards.inputs import HealthInput, PageMeasuresInput, StoreInput
from dashboards.templating import render

MOST_REJECTS = 50

router = APIRouter()


@router.get("/landing")
def landing(request: Request, store: StoreInput, health: HealthInput, measures: PageMeasuresInput) -> HTMLResponse:
    """Show counts, the subscriber's health, and the messages last set aside."""
    last, _ = rejects(store, page=1, size=MOST_REJECTS)
    return render(
        request,
        "landing.html",
        measures=measures,
        landed=landing_counts(store),
        health=health,
        rejects=list(last.iter_rows(named=True)),
    )
