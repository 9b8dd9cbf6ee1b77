"""The fleet as pages and API read it: in order of need, searched, cut into pages."""

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from airwatch.store.database import Store
from airwatch.store.results import alerts, newest_data, newest_off_limit, unit_states
from dashboards.alerts import silences_of
from dashboards.measures import Measures
from dashboards.need import NEEDS, Need, fleet_by_need

_SEARCHED = ("fleet", "unit", "kind", "home_shop", "reason")


@dataclass(frozen=True, slots=True)
class Fleet:
    """``units`` has columns as `dashboards.need.FLEET`; ``newest`` is the newest data time of all."""

    units: pl.DataFrame
    newest: datetime | None

    @property
    def counts(self) -> dict[Need, int]:
        """How many units there are of each need, zero included."""
        found = dict(self.units.group_by("need").len().iter_rows())
        return {need: found.get(need, 0) for need in NEEDS}


@dataclass(frozen=True, slots=True)
class Slice:
    """One page of rows: ``number`` counts from 1, ``total`` is the rows on all pages."""

    rows: pl.DataFrame
    number: int
    size: int
    total: int

    @property
    def last(self) -> int:
        """The number of the last page."""
        return max(1, -(-self.total // self.size))


def read_fleet(store: Store, measures: Measures) -> Fleet:
    """Read every unit and put those first that need somebody."""
    newest = newest_data(store)
    found = alerts(store)
    units = fleet_by_need(
        unit_states(store),
        found,
        newest_off_limit(store),
        newest=newest,
        measures=measures,
        silenced=silences_of(store, found),
    )
    return Fleet(units, newest)


def matching(units: pl.DataFrame, *, q: str = "", need: Need | None = None) -> pl.DataFrame:
    """Keep the units that have all words of ``q`` in name, fleet, kind, shop or reason, and the need ``need``."""
    kept = units if need is None else units.filter(pl.col("need") == need)
    text = pl.concat_str(_SEARCHED, separator=" ", ignore_nulls=True).str.to_lowercase()
    for word in q.lower().split():
        kept = kept.filter(text.str.contains(word, literal=True))
    return kept


def cut(rows: pl.DataFrame, *, page: int, size: int) -> Slice:
    """Take page ``page`` of ``size`` rows; a page beyond the last has none."""
    return Slice(rows.slice((page - 1) * size, size), page, size, rows.height)
