"""How a forecast did: outcomes against chances."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import binomtest

from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT
from airwatch.readiness.chances import Floats

OUTCOMES = pl.Schema(
    {
        **dict.fromkeys(("fleet", "unit", "item"), pl.String()),
        "passed": pl.Boolean(),
        "seen_at": TIME,
    }
)
"""One row an item that was inspected."""

BINS = pl.Schema(
    {
        "low": pl.Float64(), "high": pl.Float64(), "n": pl.Int64(), "n_passed": pl.Int64(), "mean_chance": pl.Float64(),
        "share_passed": pl.Float64(), "lower": pl.Float64(), "upper": pl.Float64(),
    }
)  # fmt: skip
"""One row a bin of a reliability diagram that has forecasts.

Chances from ``low`` up to ``high``, what came true, and the 95 % interval of the share that passed.
"""


@dataclass(frozen=True, slots=True)
class Brier:
    """The Brier score and what it is made of: ``score = reliability - resolution + uncertainty + within``.

    ``reliability`` is how far chances are from what came true (0 is best), ``resolution`` how well they tell cases
    apart (more is better), ``uncertainty`` what anybody faces who knows only how often units pass; ``within`` is what
    is lost or won by putting different chances into one bin. ``skill`` is the part of the uncertainty that the forecast
    takes away, None where all passed or all failed.
    """

    n: int
    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float
    skill: float | None


@dataclass(frozen=True, slots=True)
class Scored:
    """A campaign's score: ``bins`` as `BINS`; of the ``unknown`` how many there were and how many of them passed.

    ``n_unforecast`` outcomes had no forecast made before they were seen.
    """

    brier: Brier | None
    bins: pl.DataFrame
    n_unknown: int
    n_unknown_passed: int
    n_unforecast: int


def score(forecasts: pl.DataFrame, outcomes: pl.DataFrame, *, n_bins: int = 10) -> Scored:
    """Hold outcomes against the last forecast made before each was seen.

    Parameters
    ----------
    forecasts : DataFrame
        ``fleet, unit, item, made_at, chance``; a null chance is 'unknown', which is counted and not scored.
    outcomes : DataFrame
        Columns as `OUTCOMES`.

    Returns
    -------
    Scored
        Without Brier score where no outcome had a chance.
    """
    held = (
        outcomes.with_row_index("row")
        .join(forecasts.select(*UNIT, "item", "made_at", "chance"), on=[*UNIT, "item"], how="left")
        .filter(pl.col("made_at").is_null() | (pl.col("made_at") <= pl.col("seen_at")))
        .sort("row", "made_at", nulls_last=False)
        .unique("row", keep="last", maintain_order=True)
    )
    n_unforecast = outcomes.height - held["made_at"].drop_nulls().len()
    forecast = held.filter(pl.col("made_at").is_not_null())
    unknown, known = forecast.filter(pl.col("chance").is_null()), forecast.filter(pl.col("chance").is_not_null())
    chance, passed = known["chance"].to_numpy(), known["passed"].to_numpy()
    return Scored(
        brier_score(chance, passed, n_bins=n_bins) if known.height else None,
        reliability_bins(chance, passed, n_bins=n_bins),
        unknown.height,
        int(unknown["passed"].sum()),
        n_unforecast,
    )


def brier_score(chance: Floats, passed: np.ndarray, *, n_bins: int = 10) -> Brier:
    """Give the Brier score of forecasts of passing, and its parts over equal bins.

    Parameters
    ----------
    chance : array of float, shape (n,)
        0 to 1.
    passed : array of bool, shape (n,)
        What came true.

    Raises
    ------
    ValueError
        There is nothing to score, or a chance is not within 0 and 1.

    References
    ----------
    Murphy, A. H. (1973), A new vector partition of the probability score, Journal of Applied Meteorology 12, 595-600;
    Stephenson, Coelho and Jolliffe (2008), Two extra components in the Brier score decomposition, Weather and
    Forecasting 23, 752-757, whose two within-bin components are one here.
    """
    _check(chance)
    if chance.size == 0:
        raise ValueError("brier_score needs at least one forecast; got none")
    seen = passed.astype(np.float64)
    bins = _bin(chance, n_bins)
    n = np.bincount(bins, minlength=n_bins).astype(np.float64)
    used = n > 0
    mean_chance = np.bincount(bins, chance, minlength=n_bins)[used] / n[used]
    share = np.bincount(bins, seen, minlength=n_bins)[used] / n[used]
    weight, base = n[used] / seen.size, seen.mean()
    total = float(np.mean((chance - seen) ** 2))
    reliability = float((weight * (mean_chance - share) ** 2).sum())
    resolution = float((weight * (share - base) ** 2).sum())
    uncertainty = float(base * (1.0 - base))
    place = np.cumsum(used) - 1
    off_chance, off_seen = chance - mean_chance[place[bins]], seen - share[place[bins]]
    within = float(np.mean(off_chance**2) - 2.0 * np.mean(off_chance * off_seen))
    skill = 1.0 - total / uncertainty if uncertainty > 0.0 else None
    return Brier(seen.size, total, reliability, resolution, uncertainty, within, skill)


def reliability_bins(chance: Floats, passed: np.ndarray, *, n_bins: int = 10) -> pl.DataFrame:
    """Give the bins of a reliability diagram, columns as `BINS`; empty bins are left out.

    Intervals are Wilson's (1927), as `scipy.stats.binomtest` gives them.

    Parameters
    ----------
    chance : array of float, shape (n,)
        0 to 1; a chance on a border belongs to the bin above it, 1 to the last.
    passed : array of bool, shape (n,)
        What came true.

    Raises
    ------
    ValueError
        A chance is not within 0 and 1.
    """
    _check(chance)
    bins = _bin(chance, n_bins)
    rows = []
    for number in range(n_bins):
        of_bin = bins == number
        if n := int(of_bin.sum()):
            k = int(passed[of_bin].sum())
            between = binomtest(k, n).proportion_ci(0.95, method="wilson")
            mean = float(chance[of_bin].mean())
            rows.append((number / n_bins, (number + 1) / n_bins, n, k, mean, k / n, between.low, between.high))
    return pl.DataFrame(rows, schema=BINS, orient="row")


def _bin(chance: Floats, n_bins: int) -> np.ndarray:
    return np.minimum((chance * n_bins).astype(np.int64), n_bins - 1)


def _check(chance: Floats) -> None:
    if not bool(((chance >= 0.0) & (chance <= 1.0)).all()):
        raise ValueError("chances must lie within 0 and 1; check the forecast")
