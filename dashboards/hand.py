"""What was measured by hand of one unit, as pages and API read it."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import polars as pl

from airwatch.hand.compare import COMPARED, NEAR, USUAL, compare
from airwatch.hand.frames import ENTRIES
from airwatch.hand.judge import judge_entries
from airwatch.hand.share import DefectiveShare, defective_share
from airwatch.store.database import Store
from airwatch.store.hand import entries_of, rows_of_unit
from airwatch.store.registry import current as registered_units
from airwatch.store.results import readings_of
from dashboards.errors import BadRequestError

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Written:
    """An entry that was written down: judged, and all that was written in its place, oldest first.

    ``row`` is the last of ``history``; it holds unless it was taken back.
    """

    row: Row
    history: list[Row]

    @property
    def is_taken_back(self) -> bool:
        """Whether somebody said that it should not have been made."""
        return bool(self.row["is_void"])


def judged_of(store: Store, fleet: str, unit: str) -> pl.DataFrame:
    """Give the entries of a unit that hold, judged, oldest first; columns as `airwatch.hand.frames.JUDGED`."""
    return judge_entries(entries_of(store, fleet, unit), registered_units(store))


def written_of_unit(store: Store, fleet: str, unit: str) -> list[Written]:
    """Give every entry of a unit with its history, newest measurement first."""
    rows = rows_of_unit(store, fleet, unit)
    judged = judge_entries(rows.select(ENTRIES.keys()), registered_units(store))
    by_id = {
        row["id"]: {**verdict, **row} for row, verdict in zip(rows.to_dicts(), judged.to_dicts(), strict=True)
    }  # the verdict of each row, replaced ones too
    replaced = {row["replaces"] for row in by_id.values()}
    chains = []
    for row in by_id.values():
        if row["id"] in replaced:
            continue
        history = [row]
        while history[0]["replaces"] in by_id:
            history.insert(0, by_id[history[0]["replaces"]])
        chains.append(Written(row, history))
    return sorted(chains, key=lambda one: (one.row["taken_at"], one.row["id"]), reverse=True)


def share_of(
    store: Store, fleet: str, unit: str, trailers: tuple[str, ...] = ()
) -> tuple[DefectiveShare | None, pl.DataFrame]:
    """Give the share of defective brakes of a unit with trailers, and the registry's rows of them.

    Raises
    ------
    BadRequestError
        One of the trailers is no trailer of the fleet.
    """
    units = registered_units(store).filter(pl.col("fleet") == fleet)
    known = units.filter(pl.col("kind") == "trailer")["unit"].to_list()
    for trailer in trailers:
        if trailer not in known:
            raise BadRequestError(f"trailer: {trailer!r} is no trailer of fleet {fleet!r}; check the name.")
    together = units.filter(pl.col("unit").is_in([unit, *trailers]))
    judged = judge_entries(entries_of(store, fleet).filter(pl.col("unit").is_in([unit, *trailers])), units)
    return defective_share(judged, together.to_dicts()), together


def trailers_of(store: Store, fleet: str, unit: str) -> list[str]:
    """Give the trailers of a fleet that a unit could tow; none where it is a trailer itself."""
    units = registered_units(store).filter(pl.col("fleet") == fleet)
    own = units.filter(pl.col("unit") == unit)
    if own.is_empty() or own["kind"][0] == "trailer":
        return []
    return units.filter(pl.col("kind") == "trailer")["unit"].sort().to_list()


def comparisons_of(store: Store, fleet: str, unit: str) -> pl.DataFrame:
    """Hold a unit's tests by hand against the stream's readings of their day, newest first.

    What others measured in the fleet on the same days is looked at too: it tells a bad gauge from a bad sensor.

    Returns
    -------
    DataFrame
        Columns as `airwatch.hand.compare.COMPARED`.
    """
    units = registered_units(store)
    judged = judge_entries(entries_of(store, fleet), units).filter(pl.col("check").is_not_null())
    times = judged.filter(pl.col("unit") == unit)["taken_at"].to_list()
    if not times:
        return pl.DataFrame(schema=COMPARED)
    beside = [any(abs(t - own) <= NEAR for own in times) for t in judged["taken_at"].to_list()]
    judged = judged.filter(pl.Series(beside, dtype=pl.Boolean))
    since = min(times) - USUAL - NEAR - timedelta(days=1)
    readings = pl.concat(
        [
            readings_of(store, fleet, name).filter(pl.col("end") >= since)
            for name in judged["unit"].unique(maintain_order=True).to_list()
        ]
    )
    return compare(judged, readings).filter(pl.col("unit") == unit).sort("taken_at", "id", descending=True)
