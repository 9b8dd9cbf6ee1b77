"""What a pressure sensor's own values say of it: the step it reports in."""

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.tuning import Pressure, shipped_tuning

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

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


def coarsest_steps(kpa: Floats, first: Places) -> Floats:
    """Give for each record the coarsest known step of which all its values are multiples, kPa.

    Parameters
    ----------
    kpa : array (samples,)
        Pressures without NaN, one record after the other.
    first : array (records,)
        Place of each record's first sample.
    """
    step = np.full(first.size, STEPS_KPA[-1])
    for coarser in STEPS_KPA:
        fits = np.logical_and.reduceat(np.rint(kpa / coarser) * coarser == kpa, first)
        step[fits] = np.maximum(step[fits], coarser)
        if fits.all():
            break
    return step
