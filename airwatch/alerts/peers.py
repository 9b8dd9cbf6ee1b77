"""What is usual for units alike: same fleet, kind, axles and duty; and what a day did to all of them."""

from dataclasses import dataclass

import polars as pl

from airwatch.alerts.settings import PeerGroups
from airwatch.derive.frames import UNIT

UNIT_DAYS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "kind": pl.String(),
        "axles": pl.Int32(),
        "check": pl.String(),
        "circuit": pl.String(),
        "day": pl.Date(),
        "level": pl.Float64(),
        "n_runs": pl.Int64(),
    }
)
"""One row a unit, check, circuit and day: the median of its readings, and the runs that they come from."""

PEERS_CHECKS = ("leak_static", "leak_released", "leak_applied", "leak_running", "compressor_duty_per_application")
"""The checks in which units are held against units alike."""

_GROUPS = (("fleet", "kind", "axles", "duty"), ("fleet", "kind", "axles"), ("fleet", "kind"))
_FINER = ("axles", "duty")
_WHAT = ("check", "circuit")


@dataclass(frozen=True, slots=True)
class Peers:
    """What is usual.

    ``levels`` has ``fleet, kind, axles, duty, check, circuit, middle, n_units``; axles and duty are null where units of
    all stand together. ``shifts`` has ``fleet, kind, check, circuit, day, shift``: by how much units of a kind lay
    above their own usual on a day.
    """

    levels: pl.DataFrame
    shifts: pl.DataFrame


def unit_days(readings: pl.DataFrame, facts: pl.DataFrame) -> pl.DataFrame:
    """Sum up readings by unit and day; columns as `UNIT_DAYS`.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`.
    facts : DataFrame
        ``fleet, unit, kind, axles``.
    """
    return (
        readings.filter(pl.col("check").is_in(PEERS_CHECKS) & pl.col("value").is_not_null())
        .group_by(*UNIT, *_WHAT, pl.col("end").dt.date().alias("day"), maintain_order=True)
        .agg(level=pl.col("value").median(), n_runs=pl.col("run_start").n_unique().cast(pl.Int64))
        .join(facts.select(*UNIT, "kind", "axles"), on=UNIT, how="left", maintain_order="left")
        .select(UNIT_DAYS.keys())
    )


def duties(days: pl.DataFrame, settings: PeerGroups) -> pl.DataFrame:
    """Give ``fleet, unit, duty``: "local" with many engine starts a day, "long" with few.

    Parameters
    ----------
    days : DataFrame
        Columns as `UNIT_DAYS`.
    """
    runs = days.group_by(*UNIT, "day").agg(pl.col("n_runs").max()).group_by(UNIT).agg(pl.col("n_runs").median())
    is_local = pl.col("n_runs") >= settings.local_runs
    return runs.select(*UNIT, duty=pl.when(is_local).then(pl.lit("local")).otherwise(pl.lit("long")))


def peers_of(days: pl.DataFrame, settings: PeerGroups) -> Peers:
    """Find what is usual for units alike, by medians: a few faulty units do not move them.

    Parameters
    ----------
    days : DataFrame
        Columns as `UNIT_DAYS`.
    settings : PeerGroups
        How many units make a usual.
    """
    of_unit = (
        days.group_by(*UNIT, "kind", "axles", *_WHAT)
        .agg(own=pl.col("level").median())
        .join(duties(days, settings), on=UNIT, how="left")
        .filter(pl.col("kind").is_not_null())
    )
    levels = pl.concat(
        [of_unit.group_by(*group, *_WHAT).agg(middle=pl.col("own").median(), n_units=pl.len()) for group in _GROUPS],
        how="diagonal",
    ).filter(pl.col("n_units") >= settings.fewest_units)
    shifts = (
        days.join(of_unit.select(*UNIT, *_WHAT, "own"), on=[*UNIT, *_WHAT], nulls_equal=True)
        .group_by("fleet", "kind", *_WHAT, "day")
        .agg(shift=(pl.col("level") - pl.col("own")).median(), n_units=pl.len())
        .filter((pl.col("n_units") >= settings.fewest_units) & pl.col("kind").is_not_null())
        .drop("n_units")
    )
    columns = ["fleet", "kind", "axles", "duty", *_WHAT, "middle", "n_units"]
    return Peers(levels.select(columns), shifts.sort("fleet", "kind", *_WHAT, "day"))


def usual_of_peers(units: pl.DataFrame, peers: Peers) -> pl.DataFrame:
    """Give each unit what is usual for those most like it, as far as there are enough of them.

    Parameters
    ----------
    units : DataFrame
        ``fleet, unit, kind, axles, duty``.
    peers : Peers
        As `peers_of` gives them.

    Returns
    -------
    DataFrame
        ``fleet, unit, check, circuit, peers``.
    """
    found = []
    for rank, group in enumerate(_GROUPS):
        absent = [name for name in _FINER if name not in group]
        stands_together = [pl.col(name).is_null() if name in absent else pl.col(name).is_not_null() for name in _FINER]
        of_group = peers.levels.filter(stands_together)
        found.append(
            units.join(of_group.drop(absent), on=list(group)).select(
                *UNIT, *_WHAT, peers="middle", rank=pl.lit(rank, pl.Int8)
            )
        )
    nearest = pl.concat(found).sort(*UNIT, *_WHAT, "rank", nulls_last=True)
    return nearest.unique([*UNIT, *_WHAT], keep="first", maintain_order=True).drop("rank")
