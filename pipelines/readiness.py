"""Campaigns: forecasts made of what the store knows, and scored by what came true."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from airwatch.errors import CampaignError
from airwatch.readiness.campaigns import check_outcome, focuses_of, inspected_at
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


def record_outcomes(store: Store, campaign: str, rows: Sequence[dict[str, object]], *, who: str) -> int:
    """Record what an inspection said, all of it or nothing; one outcome for each unit and item.

    Parameters
    ----------
    store : Store
        The store to read and write.
    campaign : str
        The campaign's id.
    rows : sequence of dict
        ``id, unit, item, passed, seen_at, note`` each; an id that is there already, just the same, is left.
    who : str
        Who records them.

    Returns
    -------
    int
        How many were new.

    Raises
    ------
    CampaignError
        There is no such campaign, a row is wrong, its unit is not of the fleet, or another outcome holds for its unit
        and item. The text names unit and field; nothing is recorded.
    """
    known = _campaign(store, campaign)
    full: list[dict[str, Any]] = [{**row, "campaign": campaign, "fleet": known["fleet"]} for row in rows]
    units = registered_units(store).filter(pl.col("fleet") == known["fleet"])["unit"].to_list()
    with store.exclusive():
        all_of_it = kept.outcomes_of(store, campaign, with_replaced=True)
        written = {row["id"]: row for row in all_of_it.iter_rows(named=True)}
        holding = {(row["unit"], row["item"]): row for row in kept.outcomes_of(store, campaign).iter_rows(named=True)}
        fresh = []
        for row in full:
            if (there := written.get(row["id"])) is not None:
                if any(there[name] != row[name] for name in ("unit", "item", "passed", "seen_at", "note")):
                    raise CampaignError(
                        f"outcome of {row['unit']}, id: {row['id']} stands for another one; give it its own"
                    )
                continue
            check_outcome(row, kept.campaigns(store, campaign), who)
            if row["unit"] not in units:
                raise CampaignError(
                    f"outcome of {row['unit']}, unit: it is not registered in fleet {known['fleet']!r}; correct it"
                )
            if (other := holding.get((row["unit"], row["item"]))) is not None:
                said = "passed" if other["passed"] else "failed"
                raise CampaignError(
                    f"outcome of {row['unit']}, item: {row['item']} {said} already; correct outcome {other['id']}"
                )
            holding[row["unit"], row["item"]] = row
            fresh.append(row)
        for row in fresh:
            kept.add_outcome(store, row, who=who)
    return len(fresh)


def _campaign(store: Store, campaign: str) -> dict[str, Any]:
    found = kept.campaigns(store, campaign)
    if found.is_empty():
        raise CampaignError(f"there is no campaign {campaign!r}, or it was called off; check the id")
    return found.row(0, named=True)
