"""Campaigns: set up, forecast, what came of them, and how the forecast did."""

from datetime import timedelta
from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Depends, Path, Query

from airwatch.errors import CampaignError
from airwatch.readiness.campaigns import check_campaign
from airwatch.readiness.outcomes_csv import parse_outcomes
from airwatch.store import campaigns as kept
from dashboards.access.actor import ActorInput
from dashboards.access.needs import needs
from dashboards.alerts import data_now
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.campaign_models import (
    Campaign,
    CampaignCorrection,
    CampaignList,
    CampaignSent,
    Forecast,
    ForecastRow,
    Outcome,
    OutcomeCorrection,
    OutcomeList,
    OutcomesSent,
    Recorded,
    Score,
)
from dashboards.api.csv_body import CsvBody, csv_only, csv_text
from dashboards.api.models import Figure
from dashboards.api.typed import Who
from dashboards.campaigns import newest_forecast, read_campaign, units_of_fleet
from dashboards.errors import BadRequestError, ConflictError, NotFoundError, as_sentence
from dashboards.figures import reliability_figure
from dashboards.inputs import StoreInput
from dashboards.palette import PALETTES, Scheme
from pipelines.readiness import forecast_campaign, record_outcomes, score_campaign

Responses = dict[int | str, dict[str, Any]]
CampaignId = Annotated[str, Path(max_length=64, description="id of the campaign.", examples=["5f0c2a9e77b14d0c8a31"])]
_JSON: Responses = {415: {**PROBLEM, "description": "The body is not application/json."}}
_CONFLICT: Responses = {409: {**PROBLEM, "description": "It has been corrected already, or another one holds."}}

router = APIRouter(tags=["campaigns"])


@router.get("/campaigns", summary="Campaigns")
def campaigns(store: StoreInput) -> CampaignList:
    """Give the campaigns that hold."""
    return CampaignList(campaigns=[Campaign.of(row) for row in kept.campaigns(store).iter_rows(named=True)])


@router.post(
    "/campaigns",
    summary="Set a campaign up",
    status_code=201,
    dependencies=[needs("campaign"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def set_up(store: StoreInput, by: ActorInput, sent: CampaignSent) -> Campaign:
    """Set up a campaign of one fleet. Sent twice it is set up once."""
    if not units_of_fleet(store, sent.fleet):
        raise BadRequestError(f"fleet: no unit is registered in {sent.fleet!r}; check the name.")
    row: dict[str, object] = {**sent.model_dump(exclude={"who"}), "items": ";".join(sent.items)}
    try:
        who = by.written_as(sent.who)
        check_campaign(row, who)
        kept.add_campaign(store.for_writing(sent.fleet), row, who=who)
    except CampaignError as err:
        raise BadRequestError(as_sentence(err)) from err
    found = kept.campaigns(store, sent.id)
    if found.is_empty() or any(found[name][0] != row[name] for name in ("name", "fleet", "first_day", "last_day")):
        raise ConflictError(f"The id {sent.id} stands for another campaign; give this one its own.")
    return Campaign.of(found.row(0, named=True))


@router.get("/campaigns/{campaign}", summary="One campaign")
def campaign(store: StoreInput, campaign: CampaignId) -> Campaign:
    """Give one campaign."""
    return Campaign.of(read_campaign(store, campaign))


@router.post(
    "/campaigns/{campaign}/corrections",
    summary="Correct a campaign, or call it off",
    dependencies=[needs("campaign"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def correct(store: StoreInput, by: ActorInput, campaign: CampaignId, sent: CampaignCorrection) -> CampaignList:
    """Put what a campaign should have been in the place of what it is; the history keeps both.

    Gives the campaign as it is then, or nothing where it was called off.
    """
    old = read_campaign(store, campaign)
    row: dict[str, object] = {
        "id": sent.id, "name": sent.name, "fleet": old["fleet"], "first_day": sent.first_day,
        "last_day": sent.last_day, "items": ";".join(sent.items),
    }  # fmt: skip
    try:
        who = by.written_as(sent.who)
        whole = store.for_writing(old["fleet"])
        kept.correct_campaign(whole, old["id"], row, who=who, why=sent.why, is_void=sent.is_called_off)
    except CampaignError as err:
        raise _refused(err) from err
    return CampaignList(campaigns=[Campaign.of(row) for row in kept.campaigns(store, campaign).iter_rows(named=True)])


@router.post(
    "/campaigns/{campaign}/forecast",
    summary="Forecast again",
    dependencies=[needs("campaign"), Depends(json_only)],
    responses=_JSON,
)
def forecast_again(store: StoreInput, campaign: CampaignId) -> Forecast:
    """Forecast by what is known now; earlier forecasts are kept. The body is an empty JSON object."""
    whole = store.for_writing(read_campaign(store, campaign)["fleet"])
    now, before = data_now(store), newest_forecast(store, campaign)
    if before is not None:  # of two within a tick of the clock the later one is still the newer
        now = max(now, before.made_at + timedelta(microseconds=1))
    forecast_campaign(whole, campaign, now=now)
    return forecast(store, campaign)


@router.get("/campaigns/{campaign}/forecast", summary="The newest forecast")
def forecast(store: StoreInput, campaign: CampaignId) -> Forecast:
    """Give the chance that each unit passes each item, 'unknown' as an answer of its own, and what to look at."""
    read_campaign(store, campaign)
    found = newest_forecast(store, campaign)
    if found is None:
        raise NotFoundError("No forecast has been made for this campaign; POST to this address makes one.")
    rows = {(row["unit"], row["item"]): ForecastRow.model_validate(row) for row in found.rows.iter_rows(named=True)}
    look = [rows[row] for row in found.look.select("unit", "item").iter_rows()]
    return Forecast(campaign=campaign, made_at=found.made_at, rows=list(rows.values()), look_first=look)


@router.get("/campaigns/{campaign}/outcomes", summary="Outcomes")
def outcomes(
    store: StoreInput,
    campaign: CampaignId,
    with_replaced: Annotated[bool, Query(description="Also those that were replaced or taken back.")] = False,  # noqa: FBT002
) -> OutcomeList:
    """Give what inspections said."""
    read_campaign(store, campaign)
    rows = kept.outcomes_of(store, campaign, with_replaced=with_replaced)
    return OutcomeList(outcomes=[Outcome.model_validate(row) for row in rows.iter_rows(named=True)])


@router.post(
    "/campaigns/{campaign}/outcomes",
    summary="Record outcomes",
    dependencies=[needs("campaign"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def record(store: StoreInput, by: ActorInput, campaign: CampaignId, sent: OutcomesSent) -> Recorded:
    """Record what an inspection said, all of it or nothing; one outcome for each unit and item."""
    whole = store.for_writing(read_campaign(store, campaign)["fleet"])
    who = by.written_as(sent.who)
    try:
        return Recorded(recorded=record_outcomes(whole, campaign, [one.row() for one in sent.outcomes], who=who))
    except CampaignError as err:
        raise _refused(err) from err


@router.post(
    "/campaigns/{campaign}/outcomes/imports",
    summary="Record outcomes as CSV",
    dependencies=[needs("campaign"), Depends(csv_only)],
    responses={415: {**PROBLEM, "description": "The body is not text/csv."}, **_CONFLICT},
)
def import_csv(
    store: StoreInput, by: ActorInput, campaign: CampaignId, body: CsvBody, who: Annotated[Who, Query()]
) -> Recorded:
    """Record a CSV with the header `unit,item,result,seen_at,note`, all of it or nothing.

    `result` is passed or failed. A file sent again records nothing twice.
    """
    whole = store.for_writing(read_campaign(store, campaign)["fleet"])
    name = by.written_as(who)
    try:
        rows = parse_outcomes(csv_text(body), name="file")
        return Recorded(recorded=record_outcomes(whole, campaign, rows, who=name))
    except CampaignError as err:
        raise _refused(err) from err


@router.post(
    "/campaigns/{campaign}/outcomes/{outcome}/corrections",
    summary="Correct an outcome, or take it back",
    dependencies=[needs("campaign"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def correct_outcome(
    store: StoreInput,
    by: ActorInput,
    campaign: CampaignId,
    outcome: Annotated[str, Path(max_length=64, description="id of the outcome.")],
    sent: OutcomeCorrection,
) -> OutcomeList:
    """Put an outcome in the place of another, which stays in the history. Gives those that hold then."""
    old = read_campaign(store, campaign)
    written = kept.outcomes_of(store, campaign, with_replaced=True)
    if outcome not in written["id"]:
        raise NotFoundError(f"There is no outcome {outcome!r} in this campaign.")
    row: dict[str, object] = {**sent.outcome.row(), "campaign": campaign, "fleet": old["fleet"]}
    before = written.row(by_predicate=pl.col("id") == outcome, named=True)
    if (row["unit"], row["item"]) != (before["unit"], before["item"]):
        raise BadRequestError(
            f"The outcome is of {before['unit']}, {before['item']}; take it back, and record the other one."
        )
    try:
        who = by.written_as(sent.who)
        kept.correct_outcome(
            store.for_writing(old["fleet"]), outcome, row, who=who, why=sent.why, is_void=sent.is_taken_back
        )
    except CampaignError as err:
        raise _refused(err) from err
    return outcomes(store, campaign)


@router.get("/campaigns/{campaign}/score", summary="How the forecast did")
def score(store: StoreInput, campaign: CampaignId) -> Score:
    """Hold outcomes against the last forecast made before each."""
    read_campaign(store, campaign)
    return Score.of(score_campaign(store, campaign))


@router.get("/campaigns/{campaign}/score/figure", summary="Reliability diagram")
def figure(
    store: StoreInput,
    campaign: CampaignId,
    scheme: Annotated[Scheme, Query(description="Colours for light or dark pages.")] = "light",
) -> Figure:
    """Give what came true beside what was forecast as a Plotly figure, with 95 % intervals."""
    read_campaign(store, campaign)
    return Figure(**reliability_figure(score_campaign(store, campaign).bins, palette=PALETTES[scheme]))


def _refused(err: CampaignError) -> BadRequestError | ConflictError:
    text = str(err)
    is_conflict = " already; correct " in text or "was taken back; enter" in text or "stands for another" in text
    return (ConflictError if is_conflict else BadRequestError)(as_sentence(err))
