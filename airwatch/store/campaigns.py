"""Campaigns, what was forecast for them, and what came of it: added, corrected, never lost."""

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.contract.columns import TIME
from airwatch.derive.frames import READINGS
from airwatch.errors import CampaignError
from airwatch.readiness.campaigns import CAMPAIGNS, check_campaign, check_outcome
from airwatch.readiness.forecast import FORECAST
from airwatch.readiness.score import OUTCOMES
from airwatch.store.corrections import CORRECTABLE, add, correct, holds
from airwatch.store.database import Store

STORED_CAMPAIGNS = pl.Schema({**CAMPAIGNS, **CORRECTABLE})
STORED_OUTCOMES = pl.Schema(
    {"id": pl.String(), "campaign": pl.String(), **OUTCOMES, "note": pl.String(), **CORRECTABLE}
)
FORECASTS = pl.Schema(
    {
        "campaign": pl.String(),
        "made_at": TIME,
        **{name: dtype for name, dtype in FORECAST.items() if name != "risk"},
    }
)
"""A forecast as it is kept: of which campaign, and when it was made."""


def _rows(row: dict[str, object], schema: pl.Schema, known: dict[str, object]) -> pl.DataFrame:
    filled = {"replaces": None, "reason": None, "is_void": False, **row, **known}
    names = {name: dtype for name, dtype in schema.items() if name != "recorded"}
    return pl.DataFrame([{name: filled.get(name) for name in names}], schema=names)


def add_campaign(store: Store, row: dict[str, object], *, who: str) -> int:
    """Set a campaign up; ``row`` as `airwatch.readiness.campaigns.CAMPAIGNS` without ``campaign``. Once for each id.

    Raises
    ------
    CampaignError
        Its days are the wrong way round, it has no items, or one that is not known, or who is missing.
    """
    check_campaign(row, who)
    return add(store, "campaigns", _rows(row, STORED_CAMPAIGNS, {"campaign": row["id"], "who": who}))


def correct_campaign(
    store: Store, replaced: str, row: dict[str, object], *, who: str, why: str, is_void: bool = False
) -> None:
    """Put one row of a campaign in the place of another; with ``is_void`` call the campaign off.

    Raises
    ------
    CampaignError
        As for `add_campaign`; or why is missing, or ``replaced`` is not there or has been replaced already.
    """
    check_campaign(row, who)
    old = store.frame("SELECT campaign FROM air.campaigns WHERE id = $id", {"id": replaced})
    known = {
        "campaign": old["campaign"][0] if old.height else "", "who": who, "reason": why, "replaces": replaced,
        "is_void": is_void,
    }  # fmt: skip
    correct(store, "campaigns", _rows(row, STORED_CAMPAIGNS, known), CampaignError)


def campaigns(store: Store, campaign: str | None = None) -> pl.DataFrame:
    """Give the campaigns that hold, or one of them, first day first; columns as `CAMPAIGNS`."""
    names = ", ".join(f"h.{name}" for name in CAMPAIGNS)
    return store.frame(
        f"SELECT {names} FROM air.campaigns AS h WHERE {holds('campaigns')}"
        " AND ($campaign IS NULL OR h.campaign = $campaign) ORDER BY h.first_day, h.name, h.id",
        {"campaign": campaign},
    ).cast(CAMPAIGNS)


def campaign_history(store: Store, campaign: str) -> pl.DataFrame:
    """Give every row of a campaign in the order in which they were written; columns as `STORED_CAMPAIGNS`."""
    names = ", ".join(f"h.{name}" for name in STORED_CAMPAIGNS)
    return store.frame(
        f"SELECT {names} FROM air.campaigns AS h WHERE h.campaign = $campaign ORDER BY h.recorded, h.id",
        {"campaign": campaign},
    ).cast(STORED_CAMPAIGNS)


def add_forecast(store: Store, campaign: str, made_at: datetime, forecast: pl.DataFrame) -> None:
    """Keep a forecast (columns as `FORECAST`) beside earlier ones; one made at the same time twice is kept once."""
    rows = forecast.drop("risk").with_columns(campaign=pl.lit(campaign), made_at=pl.lit(made_at, TIME))
    with store.transaction(new_rows=rows.select(FORECASTS.keys())) as write:
        write.execute(
            "INSERT INTO air.campaign_forecasts BY NAME SELECT * FROM new_rows AS n WHERE NOT EXISTS"
            " (SELECT 1 FROM air.campaign_forecasts AS o WHERE o.campaign = n.campaign AND o.made_at = n.made_at"
            " AND o.fleet = n.fleet AND o.unit = n.unit AND o.item = n.item)"
        )


def forecasts_of(store: Store, campaign: str, *, only_last: bool = False) -> pl.DataFrame:
    """Give the forecasts made for a campaign, oldest first; columns as `FORECASTS`."""
    names = ", ".join(FORECASTS)
    last = (
        " AND made_at = (SELECT max(made_at) FROM air.campaign_forecasts WHERE campaign = $campaign)"
        if only_last
        else ""
    )
    return store.frame(
        f"SELECT {names} FROM air.campaign_forecasts WHERE campaign = $campaign{last}"
        " ORDER BY made_at, fleet, unit, item",
        {"campaign": campaign},
    ).cast(FORECASTS)


def add_outcome(store: Store, row: dict[str, object], *, who: str) -> int:
    """Record what an inspection said of one item of one unit; ``row`` has ``id, campaign, note`` and `OUTCOMES`.

    Raises
    ------
    CampaignError
        There is no such campaign, it does not look at the item, or who is missing.
    """
    check_outcome(row, campaigns(store, str(row["campaign"])), who)
    return add(store, "campaign_outcomes", _rows(row, STORED_OUTCOMES, {"who": who}))


def correct_outcome(
    store: Store, replaced: str, row: dict[str, object], *, who: str, why: str, is_void: bool = False
) -> None:
    """Put one outcome in the place of another, which stays in the history; with ``is_void`` take it back.

    Raises
    ------
    CampaignError
        As for `add_outcome`; or why is missing, or ``replaced`` is not there or has been replaced already.
    """
    check_outcome(row, campaigns(store, str(row["campaign"])), who)
    known: dict[str, object] = {"who": who, "reason": why, "replaces": replaced, "is_void": is_void}
    correct(store, "campaign_outcomes", _rows(row, STORED_OUTCOMES, known), CampaignError)


def outcomes_of(store: Store, campaign: str, *, with_replaced: bool = False) -> pl.DataFrame:
    """Give a campaign's outcomes that hold, or all that were ever written down; columns as `STORED_OUTCOMES`."""
    names = ", ".join(f"h.{name}" for name in STORED_OUTCOMES)
    held = "" if with_replaced else f" AND {holds('campaign_outcomes')}"
    return store.frame(
        f"SELECT {names} FROM air.campaign_outcomes AS h WHERE h.campaign = $campaign{held} ORDER BY h.recorded, h.id",
        {"campaign": campaign},
    ).cast(STORED_OUTCOMES)


def newest_readings(store: Store, fleet: str, checks: Sequence[str], *, since: datetime) -> pl.DataFrame:
    """Give a fleet's newest reading of each check, circuit, test and part since a time; columns as `READINGS`."""
    names = ", ".join(f'r."{name}"' for name in READINGS)
    return store.frame(
        f'SELECT {names} FROM air.newest_readings AS r SEMI JOIN checks AS c ON c."check" = r."check"'
        ' WHERE r.fleet = $fleet AND r."end" >= $since ORDER BY r.unit, r."check", r.circuit',
        {"fleet": fleet, "since": since},
        checks=pl.DataFrame({"check": list(checks)}, schema={"check": pl.String}),
    ).cast(READINGS)


def alerts_of_fleet(store: Store, fleet: str) -> pl.DataFrame:
    """Give a fleet's alerts; columns as `ALERTS`."""
    names = ", ".join(ALERTS)
    return store.frame(
        f"SELECT {names} FROM air.alerts WHERE fleet = $fleet ORDER BY unit, fault", {"fleet": fleet}
    ).cast(ALERTS)
