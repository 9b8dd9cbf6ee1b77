"""What several ABS checks need of lamp events and trouble codes, worked out once."""

from dataclasses import dataclass

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA
from airwatch.derive.abs_history import occurrences
from airwatch.derive.frames import UNIT
from airwatch.derive.lit_lamps import ABS_LAMPS, key_ons, last_heard, lit_stretches
from airwatch.derive.tuning import Abs, shipped_tuning


@dataclass(frozen=True, slots=True)
class AbsEvents:
    """Events of units over their whole history.

    Attributes
    ----------
    found : DataFrame
        As `airwatch.derive.abs_history.occurrences` gives it.
    keys, lit : DataFrame
        As `key_ons` and `lit_stretches` of `airwatch.derive.lit_lamps` give them.
    asked : DataFrame
        Each key-on with each lamp that the unit is known to report, with the stretch that the lamp was lit at it; null
        where it did not come on.
    """

    found: pl.DataFrame
    keys: pl.DataFrame
    lit: pl.DataFrame
    asked: pl.DataFrame


def abs_events(
    lamps: pl.DataFrame, reports: pl.DataFrame, codes: pl.DataFrame | None = None, tuning: Abs | None = None
) -> AbsEvents:
    """Work out what was lit and wrong when.

    Parameters
    ----------
    lamps, reports, codes : DataFrame
        Lamp events, reports of codes and codes of the units, their whole history.
    """
    tuning = tuning or shipped_tuning().abs
    heard, keys = last_heard(lamps, reports), key_ons(lamps)
    lit = lit_stretches(lamps, heard)
    found = occurrences(reports, pl.DataFrame(schema=CODE_SCHEMA) if codes is None else codes, tuning)
    return AbsEvents(found, keys, lit, _asked(lamps, heard, keys, lit, tuning))


def _asked(
    lamps: pl.DataFrame, heard: pl.DataFrame, keys: pl.DataFrame, lit: pl.DataFrame, tuning: Abs
) -> pl.DataFrame:
    ahead = pl.duration(milliseconds=round(tuning.lamp_ahead_s * 1000))
    comes = f"{round((tuning.lamp_ahead_s + tuning.lamp_comes_s) * 1000)}ms"
    reporting = lamps.filter(pl.col("lamp").is_in([*ABS_LAMPS])).select(*UNIT, "lamp").unique()
    return (
        keys.join(reporting, on=UNIT)
        .join(heard, on=UNIT)
        .with_columns(since=pl.col("key_t") - ahead)
        .sort("since")
        .join_asof(
            lit.sort("on_t"),
            left_on="since",
            right_on="on_t",
            by=[*UNIT, "lamp"],
            strategy="forward",
            tolerance=comes,
            check_sortedness=False,
        )
    )
