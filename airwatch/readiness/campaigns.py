"""What a campaign is, and what can't be one."""

from collections.abc import Mapping
from datetime import date, datetime, time

import polars as pl

from airwatch.errors import CampaignError, LimitTableError
from airwatch.readiness.settings import Focus, shipped_settings

CAMPAIGNS = pl.Schema(
    {
        "id": pl.String(),
        "campaign": pl.String(),
        "name": pl.String(),
        "fleet": pl.String(),
        "first_day": pl.Date(),
        "last_day": pl.Date(),
        "items": pl.String(),
    }
)
"""One row a campaign: ``id`` of the row, ``campaign`` that of its first row, ``items`` `;`-joined focus items."""


def focuses_of(items: str) -> tuple[Focus, ...]:
    """Give the focus items of a campaign.

    Raises
    ------
    CampaignError
        There is none, or one is not in the table.
    """
    names = [name for name in items.split(";") if name]
    if not names:
        raise CampaignError("campaign, items: there is none; name at least one")
    try:
        return shipped_settings().of(names)
    except LimitTableError as err:
        raise CampaignError(f"campaign, items: {err}") from err


def inspected_at(last_day: date) -> datetime:
    """Give the time that a forecast is for: the noon of the last day, as what wears is worst then."""
    return datetime.combine(last_day, time(12))


def check_campaign(row: Mapping[str, object], who: str) -> None:
    """Refuse a row that could be no campaign.

    Raises
    ------
    CampaignError
        Its days are the wrong way round, its name, fleet or items are empty or not known, or who is missing.
    """
    for name in ("id", "name", "fleet"):
        if not str(row.get(name) or "").strip():
            raise CampaignError(f"campaign, {name}: is empty; fill it in")
    if not who.strip():
        raise CampaignError(f"campaign {row['name']}, who: is empty; say who sets it up")
    first, last = row.get("first_day"), row.get("last_day")
    if not isinstance(first, date) or not isinstance(last, date) or first > last:
        raise CampaignError(f"campaign {row['name']}, last_day: {first} to {last} is no range of days; correct it")
    focuses_of(str(row.get("items") or ""))


def check_outcome(row: Mapping[str, object], campaigns: pl.DataFrame, who: str) -> None:
    """Refuse an outcome that belongs to no campaign.

    Parameters
    ----------
    row : mapping
        ``id, campaign, fleet, unit, item, passed, seen_at, note``.
    campaigns : DataFrame
        The campaign that it names, columns as `CAMPAIGNS`; no row where there is none.

    Raises
    ------
    CampaignError
        There is no such campaign, it does not look at the item, it is of another fleet, or a field is missing.
    """
    if campaigns.is_empty():
        raise CampaignError(f"outcome, campaign: there is no campaign {row.get('campaign')!r}; check the id")
    campaign = campaigns.row(0, named=True)
    if not who.strip():
        raise CampaignError(f"outcome of {row.get('unit')}, who: is empty; say who records it")
    if row.get("item") not in campaign["items"].split(";"):
        raise CampaignError(
            f"outcome of {row.get('unit')}, item: {row.get('item')!r} is none of {campaign['items']}; correct it"
        )
    if row.get("fleet") != campaign["fleet"]:
        raise CampaignError(
            f"outcome of {row.get('unit')}, fleet: {row.get('fleet')!r} is not {campaign['fleet']!r}; correct it"
        )
    if not isinstance(row.get("passed"), bool) or not isinstance(row.get("seen_at"), datetime):
        raise CampaignError(f"outcome of {row.get('unit')}: say whether it passed (true or false), and when (seen_at)")
