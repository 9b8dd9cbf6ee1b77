"""What came in."""

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter

from airwatch.landing.subscriber import Health
from airwatch.store.results import landing_counts
from airwatch.store.results import rejects as stored_rejects
from dashboards.api.models import Landing, RejectPage, RejectRow, SubscriberHealth
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.fleet import Slice
from dashboards.inputs import HealthInput, PageNumber, PageSize, StoreInput

router = APIRouter(tags=["landing"])


@router.get("/landing", summary="What came in")
def landing(store: StoreInput, health: HealthInput) -> Landing:
    """Give how much was landed, repeated and set aside, and how the subscriber does."""
    counts = landing_counts(store)
    return Landing(**counts, subscriber=None if health is None else _subscriber(health))


@router.get("/rejects", summary="Messages set aside", responses=TABLE, response_model=RejectPage)
def rejects(store: StoreInput, form: FormatInput, page: PageNumber = 1, size: PageSize = 100) -> Any:
    """Give the messages that were set aside and why, the last first; their bytes are in `airwatch export rejects`."""
    found, total = stored_rejects(store, page=page, size=size)
    if form != "json":
        return as_file(Slice(found, page, size, total), form, "rejects")
    rows = [RejectRow.model_validate(row) for row in found.iter_rows(named=True)]
    return RejectPage(page=page, size=size, total=total, rejects=rows)


def _subscriber(health: Health) -> SubscriberHealth:
    at = health.last_commit_s
    return SubscriberHealth(
        is_connected=health.is_connected,
        received=health.received,
        committed=health.committed,
        rejected=health.rejected,
        samples=health.samples,
        last_commit=None if at is None else datetime.fromtimestamp(at, UTC).replace(tzinfo=None),
        failure=health.failure,
    )
