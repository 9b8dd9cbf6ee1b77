"""Campaigns as pages and API read them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from airwatch.readiness.campaigns import focuses_of
from airwatch.readiness.forecast import with_risk
from airwatch.readiness.look import look_first
from airwatch.readiness.settings import Focus, shipped_settings
from airwatch.store.campaigns import campaigns, forecasts_of
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units
from dashboards.errors import NotFoundError

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Forecast:
    """The newest forecast of a campaign: columns as `airwatch.readiness.forecast.FORECAST`, and when it was made."""

    made_at: datetime
    rows: pl.DataFrame

    @property
    def look(self) -> pl.DataFrame:
        """What to look at before the campaign, ranked; columns as `airwatch.readiness.look.LOOK`."""
        return look_first(self.rows, shipped_settings())


def read_campaign(store: Store, campaign: str) -> Row:
    """Read one campaign; columns as `airwatch.readiness.campaigns.CAMPAIGNS`.

    Raises
    ------
    NotFoundError
        There is none, or it was called off.
    """
    found = campaigns(store, campaign)
    if found.is_empty():
        raise NotFoundError(f"There is no campaign {campaign!r}, or it was called off; see /campaigns.")
    return found.row(0, named=True)


def items_of(campaign: Row) -> tuple[Focus, ...]:
    """Give the items that a campaign looks at."""
    return focuses_of(campaign["items"])


def newest_forecast(store: Store, campaign: str) -> Forecast | None:
    """Read the newest forecast of a campaign, None where none was made."""
    rows = forecasts_of(store, campaign, only_last=True)
    if rows.is_empty():
        return None
    return Forecast(rows["made_at"][0], with_risk(rows, shipped_settings()))


def units_of_fleet(store: Store, fleet: str) -> list[str]:
    """Give the registered units of a fleet."""
    return registered_units(store).filter(pl.col("fleet") == fleet)["unit"].sort().to_list()


def fleets(store: Store) -> list[str]:
    """Give the fleets that have registered units."""
    return sorted(registered_units(store)["fleet"].unique().to_list())
