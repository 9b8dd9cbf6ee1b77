"""The fleet as pages and API show it: searched, narrowed, sorted, cut into pages."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Literal, get_args

import polars as pl

from dashboards.data_state import DATA_STATES, DataState
from dashboards.need import NEEDS, Need

_SEARCHED = ("fleet", "unit", "kind", "home_shop", "reason", "data_flags")

Order = Literal["need", "unit", "shop", "since", "heard"]
ORDERS: tuple[Order, ...] = get_args(Order)
"""By need; by name; by shop and within it by need; longest standing first; longest not heard of first."""


@dataclass(frozen=True)
class Fleet:
    """``units`` has columns as `dashboards.need.FLEET`, in order of need; ``newest`` is the newest data time of all."""

    units: pl.DataFrame
    newest: datetime | None

    @cached_property
    def counts(self) -> dict[Need, int]:
        """How many units there are of each need, zero included."""
        found = dict(self.units.group_by("need").len().iter_rows())
        return {need: found.get(need, 0) for need in NEEDS}

    @cached_property
    def data_counts(self) -> dict[DataState, int]:
        """How many units there are whose data come in in each way, zero included."""
        found = dict(self.units.group_by("data").len().iter_rows())
        return {state: found.get(state, 0) for state in DATA_STATES}

    @cached_property
    def choices(self) -> dict[str, list[str]]:
        """The values that can be chosen in each column, sorted."""
        columns = ("fleet", "home_shop", "kind")
        return {name: self.units[name].drop_nulls().unique().sort().to_list() for name in columns}


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


def matching(
    units: pl.DataFrame,
    *,
    q: str = "",
    need: Need | None = None,
    data: DataState | None = None,
    fleet: str | None = None,
    shop: str | None = None,
    kind: str | None = None,
) -> pl.DataFrame:
    """Keep the units of a need, data state, fleet, shop and kind that have all words of ``q``.

    The words may stand in name, fleet, kind, shop, reason, or in what is out of the ordinary with the data.
    """
    asked = {"need": need, "data": data, "fleet": fleet, "home_shop": shop, "kind": kind}
    kept = units
    for name, wanted in asked.items():
        if wanted:
            kept = kept.filter(pl.col(name) == wanted)
    if words := q.lower().split():
        text = pl.concat_str(_SEARCHED, separator=" ", ignore_nulls=True).str.to_lowercase()
        kept = kept.filter(pl.all_horizontal(text.str.contains(word, literal=True) for word in words))
    return kept


def in_order(units: pl.DataFrame, order: Order) -> pl.DataFrame:
    """Sort units, which are in order of need; those that have no time or shop come last."""
    by = {"unit": ["unit", "fleet"], "shop": ["home_shop"], "since": ["since"], "heard": ["last_t"]}
    return units if order == "need" else units.sort(by[order], nulls_last=True, maintain_order=True)


def cut(rows: pl.DataFrame, *, page: int, size: int) -> Slice:
    """Take page ``page`` of ``size`` rows; a page beyond the last has none."""
    return Slice(rows.slice((page - 1) * size, size), page, size, rows.height)
