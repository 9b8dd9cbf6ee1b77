"""What a pressure sensor's own values say of it: the step it reports in."""

import polars as pl

from airwatch.derive.tuning import Pressure, shipped_tuning

STEPS_KPA = (8.0, 4.0, 2.0, 1.0)  # SAE J1939 AIR1 8 kPa and B1 4 kPa a bit; finer where a gateway reports finer


def step_kpa(pressure: pl.Expr, tuning: Pressure | None = None) -> pl.Expr:
    """Give the coarsest known step of which all values of the group are multiples (an aggregate, kPa).

    With fewer than three different values the group does not tell, and the step is the fallback.
    """
    fallback = (tuning or shipped_tuning().pressure).fallback_step_kpa
    known = pressure.drop_nulls()
    step = pl.lit(STEPS_KPA[-1])
    for coarser in reversed(STEPS_KPA):
        step = pl.when((known % coarser == 0).all()).then(coarser).otherwise(step)
    return pl.when(known.n_unique() < 3).then(fallback).otherwise(step)  # noqa: PLR2004 two values may be two apart
