"""Campaigns: forecasts made of what the store knows, and scored by what came true."""

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from airwatch.errors import CampaignError
from airwatch.readiness.campaigns import focuses_of, inspected_at
from airwatch.readiness.evidence import evidence
from airwatch.readiness.forecast import forecast
from airwatch.readiness.score import OUTCOMES, Scored, score
from airwatch.readiness.settings import shipped_settings
from airwatch.store import campaigns as kept
from airwatch.store.database import Store
from airwatch.store.hand import entries_of
from airwatch.store.registry import current as registered_units


def forecast_campaign(store: Store, campaign: str, *, now: datetime | None = None) -> pl.DataFrame:
    """Forecast a campaign by what is known now, and keep the forecast beside earlier ones.

    Parameters
    ----------
    store : Store
        The store to read and write.
    campaign : str
        The campaign's id.
    now : datetime, optional
        UTC without a zone; the clock's where nothing is said.

    Returns
    -------
    DataFrame
        Columns as `airwatch.readiness.forecast.FORECAST`.

    Raises
    ------
    CampaignError
        There is no such campaign, or it was called off.
    """
    now = now or datetime.now(UTC).replace(tzinfo=None)
    row = _campaign(store, campaign)
    settings, focuses, at = shipped_settings(), focuses_of(row["items"]), inspected_at(row["last_day"])
    since = at - timedelta(days=max(focus.forget_days for focus in focuses))
    checks = sorted({check for focus in focuses for check in focus.checks})
    units = registered_units(store).filter(pl.col("fleet") == row["fleet"])
    found = evidence(
        kept.newest_readings(store, row["fleet"], checks, since=since),
        entries_of(store, row["fleet"], since=since),
        units,
        focuses,
        at=at,
        answers=settings.answers,
    )
    made = forecast(found, kept.alerts_of_fleet(store, row["fleet"]), units, focuses, at=at, settings=settings)
    kept.add_forecast(store, campaign, now, made)
    return made


def score_campaign(store: Store, campaign: str) -> Scored:
    """Hold the outcomes of a campaign against the last forecast made before each.

    Raises
    ------
    CampaignError
        There is no such campaign, or it was called off.
    """
    _campaign(store, campaign)
    outcomes = kept.outcomes_of(store, campaign).select(OUTCOMES.keys())
    return score(kept.forecasts_of(store, campaign), outcomes)


def _campaign(store: Store, campaign: str) -> dict[str, Any]:
    found = kept.campaigns(store, campaign)
    if found.is_empty():
        raise CampaignError(f"there is no campaign {campaign!r}, or it was called off; check the id")
    return found.row(0, named=True)
