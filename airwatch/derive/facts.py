"""What is known or assumed of each unit."""

import polars as pl

from airwatch.derive.frames import FACTS, UNIT
from airwatch.limits.table import DefaultsTable, shipped_defaults
from airwatch.registry import SCHEMA


def unit_facts(keys: pl.DataFrame, units: pl.DataFrame, defaults: DefaultsTable | None = None) -> pl.DataFrame:
    """Join the registry to the units that have data; what it lacks comes from the rule set's defaults.

    Parameters
    ----------
    keys : DataFrame
        ``fleet, unit`` of the units that have data.
    units : DataFrame
        The registry, columns as `airwatch.registry.SCHEMA`.

    Returns
    -------
    DataFrame, one row for each key
        Columns as `airwatch.derive.frames.FACTS`.
    """
    defaults = defaults or shipped_defaults()
    assumed = pl.DataFrame(
        [(name, row.kind, row.governed_rpm) for name, row in defaults.rule_set.items()],
        schema={"rule_set": pl.String, "default_kind": pl.String, "default_rpm": pl.Float64},
        orient="row",
    )
    volume = pl.sum_horizontal("supply_l", "primary_l", "secondary_l")
    return (
        keys.select(UNIT)
        .unique(maintain_order=True)
        .join(units.select(SCHEMA.keys()), on=UNIT, how="left", maintain_order="left")
        .with_columns(
            is_registered=pl.col("kind").is_not_null(), rule_set=pl.col("rule_set").fill_null(defaults.default_rule_set)
        )
        .join(assumed, on="rule_set", how="left", maintain_order="left")
        .with_columns(
            kind=pl.coalesce("kind", "default_kind", pl.lit("tractor")),
            is_speed_assumed=pl.col("governed_rpm").is_null(),
        )
        .select(
            *UNIT,
            "kind",
            "rule_set",
            "is_registered",
            governed_rpm=pl.coalesce("governed_rpm", "default_rpm"),
            is_speed_assumed="is_speed_assumed",
            reservoir_ratio=pl.when(pl.col("required_l") > 0).then(volume / pl.col("required_l")),
            supply_l=pl.col("supply_l").cast(pl.Float64),
            primary_l=pl.col("primary_l").cast(pl.Float64),
            secondary_l=pl.col("secondary_l").cast(pl.Float64),
            cut_out_kpa=pl.col("cut_out_kpa").cast(pl.Float64),
            is_towing=pl.coalesce("trailer_towing", pl.col("kind") == "tractor"),
            axles=pl.col("axles").cast(pl.Int32),
        )
        .select(FACTS.keys())
    )
