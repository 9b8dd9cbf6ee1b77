"""Campaigns: the list, one campaign, and a unit's attention sheet."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.readiness.look import attention_sheet
from airwatch.readiness.settings import shipped_settings
from airwatch.store.campaigns import campaigns as stored_campaigns
from dashboards.api.campaigns import CampaignId
from dashboards.campaigns import fleets, items_of, newest_forecast, read_campaign
from dashboards.errors import NotFoundError
from dashboards.inputs import StoreInput
from dashboards.templating import render

router = APIRouter()


@router.get("/campaigns")
def campaigns(request: Request, store: StoreInput) -> HTMLResponse:
    """List the campaigns."""
    rows = stored_campaigns(store).to_dicts()
    return render(request, "campaigns.html", campaigns=rows, fleets=fleets(store))


@router.get("/campaigns/{campaign}")
def campaign(request: Request, store: StoreInput, campaign: CampaignId) -> HTMLResponse:
    """Show the newest forecast of a campaign, the unit least likely to pass first."""
    row = read_campaign(store, campaign)
    found = newest_forecast(store, campaign)
    cells = {} if found is None else {(cell["unit"], cell["item"]): cell for cell in found.rows.to_dicts()}
    least: dict[str, float] = {}
    for (unit, _), cell in cells.items():
        least[unit] = min(least.get(unit, 1.0), cell["at_most"])
    return render(
        request,
        "campaign.html",
        campaign=row,
        items=items_of(row),
        made_at=None if found is None else found.made_at,
        units=sorted(least, key=lambda unit: (least[unit], unit)),
        cells=cells,
        look=[] if found is None else found.look.to_dicts(),
    )


@router.get("/campaigns/{campaign}/units/{unit}/attention")
def attention(request: Request, store: StoreInput, campaign: CampaignId, unit: str) -> HTMLResponse:
    """Show the driver's sheet, with what only the shop may touch set apart."""
    row = read_campaign(store, campaign)
    found = newest_forecast(store, campaign)
    if found is None or unit not in found.rows["unit"]:
        raise NotFoundError(f"There is no forecast of unit {unit!r} in this campaign; forecast it first.")
    sheet = attention_sheet(found.rows, row["fleet"], unit, shipped_settings())
    return render(request, "attention.html", campaign=row, sheet=sheet, made_at=found.made_at)
