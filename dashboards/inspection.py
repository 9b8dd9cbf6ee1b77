"""Which units would fail which check if they were looked at now. Pure: frames in, frames out.

No data and can't say are answers of their own: neither clears anything.
"""

from datetime import datetime, timedelta
from typing import Literal, get_args

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

INSPECTED = (
    "leak_static",
    "leak_released",
    "leak_applied",
    "build_up_time",
    "governor_cut_out",
    "low_air_warning",
    "protection_valve",
    "abs_fault",
    "abs_lamp",
)
"""What an inspector measures or looks at, in the order of columns."""

Cell = Literal["fail", "unknown", "watch", "pass", "old", "none"]
CELLS: tuple[Cell, ...] = get_args(Cell)
"""``old``: the newest reading is older than `OLD_AFTER`; ``none``: there is none."""

OLD_AFTER = timedelta(days=14)
"""Before the newest data of the fleet. Common practice, no source: a leak can open within days."""

_FROM_CODES = ("abs_fault", "abs_lamp")


def inspection(states: pl.DataFrame, readings: pl.DataFrame, newest: datetime | None) -> pl.DataFrame:
    """Lay out units and checks.

    Parameters
    ----------
    states : DataFrame
        ``fleet, unit, kind, home_shop, data``: the units.
    readings : DataFrame
        Newest readings of each unit, check, circuit, test and part: ``fleet, unit, check, end, verdict, state``. Of
        several of one check the gravest counts: fail, unknown, watch, pass. Cleared trouble codes and lamps that went
        out count as old. Where the ABS lamp's self-check (`abs_self_check`) is known, no code and no lamp is within.
    newest : datetime, optional
        Newest data time of the fleet.

    Returns
    -------
    DataFrame
        The units' columns, one column for each of `INSPECTED` with one of `CELLS`, and how many of each there are
        (``n_fail, n_unknown, n_none``, the last with old ones); those that would fail most first.
    """
    since = None if newest is None else newest - OLD_AFTER
    is_over = pl.col("check").is_in(_FROM_CODES) & (pl.col("state") == "cleared").fill_null(value=False)
    is_old = (pl.col("end") < pl.lit(since, TIME)).fill_null(value=False) | is_over
    order = {name: place for place, name in enumerate(CELLS)}
    # a lamp that checked itself at key-on says that ABS is heard of, so that no code and no lamp is an answer
    heard = readings.filter(pl.col("check") == "abs_self_check")
    quiet = [
        heard.with_columns(check=pl.lit(check), verdict=pl.lit("pass"), state=pl.lit(None, pl.String))
        for check in _FROM_CODES
    ]
    cells = (
        pl.concat([readings.filter(pl.col("check").is_in(INSPECTED)), *quiet])
        .with_columns(cell=pl.when(is_old).then(pl.lit("old")).otherwise("verdict"))
        .with_columns(order=pl.col("cell").replace_strict(order, return_dtype=pl.Int8))
        .group_by(*UNIT, "check")
        .agg(pl.col("order").min())
        .pivot("check", index=list(UNIT), values="order")
    )
    missing = [pl.lit(None, pl.Int8).alias(check) for check in INSPECTED if check not in cells.columns]
    none, names = order["none"], {place: name for name, place in order.items()}
    count = {
        f"n_{name}": pl.sum_horizontal((pl.col(check) == name).cast(pl.Int64) for check in INSPECTED)
        for name in ("fail", "unknown", "watch")
    }
    n_none = pl.sum_horizontal(pl.col(check).is_in(["none", "old"]).cast(pl.Int64) for check in INSPECTED)
    return (
        states.select(*UNIT, "kind", "home_shop", "data")
        .join(cells.with_columns(missing), on=UNIT, how="left", maintain_order="left")
        .with_columns(pl.col(INSPECTED).fill_null(none).replace_strict(names, return_dtype=pl.String))
        .with_columns(**count, n_none=n_none)
        .select(*UNIT, "kind", "home_shop", "data", *INSPECTED, "n_fail", "n_unknown", "n_watch", "n_none")
        .sort("n_fail", "n_unknown", "n_watch", "n_none", descending=True, maintain_order=True)
    )
