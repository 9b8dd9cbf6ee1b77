"""Leak readings of one hold side by side, and which of its tanks fell."""

import polars as pl

from airwatch.alerts.frames import Z95
from airwatch.alerts.settings import Patterns
from airwatch.derive.frames import UNIT

_STATES = {
    "leak_static": "parked",
    "leak_released": "released",
    "leak_applied": "applied",
    "leak_running": "running",
    "supply_drop": "after_cut_out",
}
CHECKS = tuple(_STATES)
"""Checks that speak for air loss."""

_TANKS = {"supply": "supply", "primary": "primary", "secondary": "secondary", "trailer": "tank"}
_SAME_HOLD_S = 60.0  # tanks of one hold begin together but for a lost value or two


def hold_table(readings: pl.DataFrame, settings: Patterns) -> pl.DataFrame:
    """Put the readings of each hold into one row.

    Holds in which a tank rose with the engine off are left out: gas that warms after a quick draw hides a leak. So are
    falls as fast as a pumped pedal makes them.

    Parameters
    ----------
    readings : DataFrame
        ``fleet, unit, trailer, circuit, check, start, end, value, lower, upper, part``; rates in kPa/min at 690 kPa.
    settings : Patterns
        Thresholds.

    Returns
    -------
    DataFrame, one row a hold, sorted by unit and end
        ``fleet, unit, trailer, state, start, end``; of ``supply, primary, secondary, tank`` (the trailer's) the rate in
        kPa/min, null where not measured, and ``sd_…`` its standard error; ``follows`` bool: a brake tank went with the
        supply tank after cut-out.
    """
    rows = (
        readings.filter(pl.col("check").is_in(CHECKS) & pl.col("lower").is_not_null())
        .filter(pl.col("value") < settings.pumped_kpa_min)
        .with_columns(
            state=pl.col("check").replace_strict(_STATES, return_dtype=pl.String),
            sd=(pl.col("upper") - pl.col("lower")) / (2 * Z95),
        )
        .sort(*UNIT, "state", "start")
        .with_columns(
            hold=((pl.col("start") - pl.col("start").shift(1)).dt.total_seconds() > _SAME_HOLD_S)
            .fill_null(value=True)
            .cum_sum()
            .over(*UNIT, "state")
        )
    )
    columns = [
        pl.col(what).filter(pl.col("circuit") == circuit).first().alias(name)
        for circuit, tank in _TANKS.items()
        for what, name in (("value", tank), ("sd", f"sd_{tank}"))
    ]
    wide = rows.group_by(*UNIT, "state", "hold", maintain_order=True).agg(
        pl.col("trailer").last(),
        pl.col("start").min(),
        pl.col("end").max(),
        *columns,
        follows=pl.col("part").is_not_null().any(),
    )
    is_off = pl.col("state").is_in(["parked", "released", "applied"])
    rises = pl.min_horizontal("supply", "primary", "secondary") < settings.disturbed_kpa_min
    return wide.filter(~(is_off & rises.fill_null(value=False))).sort(*UNIT, "end").drop("hold")


def add_patterns(holds: pl.DataFrame, settings: Patterns) -> pl.DataFrame:
    """Say which tanks fell.

    Parameters
    ----------
    holds : DataFrame
        As `hold_table` gives it, with ``usual_supply, usual_primary, usual_secondary`` in kPa/min: what is not
        counted; after a cut-out ``usual_supply`` is the supply tank's rate when parked, ``usual_drop`` what it falls by
        without a fault.
    settings : Patterns
        Thresholds.

    Returns
    -------
    DataFrame
        The holds that say something, with ``pattern``, one of `airwatch.alerts.signatures.TANK_PATTERNS`, or after a
        cut-out of `DROP_PATTERNS`.
    """
    least = (
        pl.when(pl.col("state") == "applied")
        .then(settings.applied_shows_kpa_min)
        .when(pl.col("state") == "running")
        .then(settings.running_shows_kpa_min)
        .otherwise(settings.shows_kpa_min)
    )

    def shown(tank: str) -> pl.Expr:
        """Give the rate above the usual, 0 where it does not stand out, null where it was not measured."""
        above = pl.col(tank) - (pl.col(f"usual_{tank}").clip(0.0) if tank != "tank" else 0.0)
        error = settings.shows_sd * pl.col(f"sd_{tank}")
        measured = pl.when(pl.col(tank).is_not_null()).then(0.0)
        return pl.when(above > pl.max_horizontal(least, error)).then(above).otherwise(measured)

    marked = holds.with_columns(shown(tank).alias(f"_{tank}") for tank in ("supply", "primary", "secondary", "tank"))
    most = pl.max_horizontal("_primary", "_secondary").fill_null(0.0)
    supply, tank = pl.col("_supply").fill_null(0.0), pl.col("_tank").fill_null(0.0)

    def above(name: str) -> pl.Expr:
        return (pl.col(name) - pl.col(f"usual_{name}").clip(0.0)).fill_null(0.0)

    goes = {name: (above(name) >= settings.share * most) & (most > 0.0) for name in ("primary", "secondary")}
    pattern = (
        pl.when((supply > 0.0) & (supply > settings.supply_over * most))
        .then(pl.lit("supply"))
        .when(goes["primary"] & goes["secondary"])
        .then(pl.lit("both"))
        .when(goes["primary"])
        .then(pl.lit("primary"))
        .when(goes["secondary"])
        .then(pl.lit("secondary"))
        .when(tank > 0.0)
        .then(pl.lit("tank"))
        .otherwise(pl.lit("none"))
    )
    drop = (
        pl.when("follows")
        .then(pl.lit("follows"))
        .when(pl.col("supply") < settings.drop_kpa_min)
        .then(pl.lit("none"))
        .when(pl.col("supply") - pl.col("usual_drop") > settings.faster * pl.col("usual_supply").clip(1.0))
        .then(pl.lit("faster"))
        .otherwise(pl.lit("drops"))
    )
    unsure = pl.max_horizontal("sd_primary", "sd_secondary").fill_null(0.0) > settings.largest_sd_kpa_min
    return (
        marked.with_columns(pattern=pl.when(pl.col("state") == "after_cut_out").then(drop).otherwise(pattern))
        .filter(~(unsure & (pl.col("pattern") == "none")))
        .drop("_supply", "_primary", "_secondary", "_tank")
    )
