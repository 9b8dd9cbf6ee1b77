"""What a pressure sensor's own values say of it: the step it reports in."""

import polars as pl

from airwatch.derive.tuning import Pressure, shipped_tuning

_STEPS = (8.0, 4.0, 2.0, 1.0)  # SAE J1939 AIR1 8 kPa and B1 4 kPa a bit; finer where a gateway reports finer


def step_kpa(pressure: pl.Expr, tuning: Pressure | None = None) -> pl.Expr:
    """Give the coarsest known step of which all values of the group are multiples (an aggregate, kPa).

    With fewer than three different values the group does not tell, and the step is the fallback.
    """
    fallback = (tuning or shipped_tuning().pressure).fallback_step_kpa
    chain = pl.when(pressure.drop_nulls().n_unique() < 3).then(fallback)  # noqa: PLR2004 two values may be two apart
    for step in _STEPS:
        chain = chain.when((pressure.drop_nulls() % step == 0).all()).then(step)
    return chain.otherwise(_STEPS[-1])
