"""Medians of many short rows at once."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def row_medians(rows: Floats) -> Floats:
    """Give the median of each row without its NaN, of which some must be left; many times faster than numpy's own."""
    rows = np.sort(rows, axis=1)  # NaN last
    n = rows.shape[1] - np.isnan(rows).sum(axis=1)
    at = np.arange(rows.shape[0])
    median: Floats = (rows[at, (n - 1) // 2] + rows[at, n // 2]) / 2.0
    return median
