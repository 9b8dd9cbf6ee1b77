"""What came in."""

from datetime import UTC, datetime

from fastapi import APIRouter

from airwatch.landing.subscriber import Health
from airwatch.store.results import landing_counts
from dashboards.api.models import Landing, SubscriberHealth
from dashboards.inputs import HealthInput, StoreInput

router = APIRouter(tags=["landing"])


@router.get("/landing", summary="What came in")
def landing(store: StoreInput, health: HealthInput) -> Landing:
    """Give how much was landed, repeated and set aside, and how the subscriber does."""
    counts = landing_counts(store)
    return Landing(**counts, subscriber=None if health is None else _subscriber(health))


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
