"""How many repairs held: by fault and shop, the share that readings had not reopened after a month. Pure."""

from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import beta

from airwatch.alerts.lifecycle import HISTORY
from airwatch.derive.frames import UNIT, require

Floats = npt.NDArray[np.float64]

HELD = pl.Schema(
    {
        "fault": pl.String(),
        "shop": pl.String(),
        "n_repairs": pl.Int64(),
        "n_held": pl.Int64(),
        "share": pl.Float64(),
        "lower": pl.Float64(),
        "upper": pl.Float64(),
        "n_unproven": pl.Int64(),
        "n_waiting": pl.Int64(),
    }
)
"""One row a fault and shop: of ``n_repairs`` whose outcome is known ``n_held``; their share with its 95 % interval.

``n_unproven`` of older repairs no reading says anything; of ``n_waiting`` the time is not over. Neither counts.
"""

HELD_FOR_DAYS = 30.0


def held_shares(
    history: pl.DataFrame, shops: pl.DataFrame, now: datetime, *, days: float = HELD_FOR_DAYS
) -> pl.DataFrame:
    """Say by fault and shop how many repairs held.

    A repair held if readings verified it and none had reopened it so many days later; it did not if its alert was
    reopened within them, by readings or by somebody. A repair that nothing verified is not one that held: a unit that
    sends nothing shows no fault either. One that was dismissed afterwards was none, and one after which the alert was
    said to be repaired once more without being open in between is the same repair.

    Parameters
    ----------
    history : DataFrame
        Columns as `airwatch.alerts.lifecycle.HISTORY`, in the order in which it was written.
    shops : DataFrame
        ``fleet, unit, home_shop``.
    now : datetime
        UTC without a zone.
    days : float
        How long a repair must hold.

    Returns
    -------
    DataFrame
        Columns as `HELD`, sorted by fault and shop; the interval is that of `clopper_pearson`.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(history, HISTORY, "held_shares")
    outcomes = [
        {**outcome, **{name: part[name][0] for name in (*UNIT, "fault")}}
        for part in history.partition_by("alert", maintain_order=True)
        for outcome in _outcomes(part, now, timedelta(days=days))
    ]
    told = pl.DataFrame(
        outcomes, schema={"outcome": pl.String, "fleet": pl.String, "unit": pl.String, "fault": pl.String}
    )
    counts = (
        told.join(shops.select(*UNIT, shop="home_shop").unique(UNIT), on=UNIT, how="left")
        .group_by("fault", "shop")
        .agg(
            n_held=(pl.col("outcome") == "held").sum().cast(pl.Int64),
            n_repairs=pl.col("outcome").is_in(["held", "reopened"]).sum().cast(pl.Int64),
            n_unproven=(pl.col("outcome") == "unproven").sum().cast(pl.Int64),
            n_waiting=(pl.col("outcome") == "waiting").sum().cast(pl.Int64),
        )
        .sort("fault", "shop", nulls_last=True)
    )
    lower, upper = clopper_pearson(counts["n_held"].to_numpy(), counts["n_repairs"].to_numpy())
    share = pl.when(pl.col("n_repairs") > 0).then(pl.col("n_held") / pl.col("n_repairs"))
    return counts.with_columns(
        share=share, lower=pl.Series(lower, dtype=pl.Float64), upper=pl.Series(upper, dtype=pl.Float64)
    ).select(HELD.keys())


def clopper_pearson(held: npt.ArrayLike, of: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Give the exact interval of a share.

    It holds the true share at least as often as it says, which shorter intervals do not where repairs are few.

    Parameters
    ----------
    held, of : array_like
        So many of so many; of none, the interval is 0 to 1.
    confidence : float
        Between 0 and 1.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
       binomial", Biometrika 26 (1934) 404-413.
    """
    k, n = np.asarray(held, dtype=np.float64), np.asarray(of, dtype=np.float64)
    tail = (1.0 - confidence) / 2.0
    with np.errstate(invalid="ignore"):
        lower = np.where(k > 0, beta.ppf(tail, k, n - k + 1.0), 0.0)
        upper = np.where(k < n, beta.ppf(1.0 - tail, k + 1.0, n - k), 1.0)
    return lower, upper


def _outcomes(history: pl.DataFrame, now: datetime, within: timedelta) -> list[dict[str, str]]:
    """Give what became of each repair of one alert."""
    found: list[dict[str, str]] = []
    repaired: datetime | None = None
    is_verified = False
    for change, at in history.select("change", "at").iter_rows():
        if change == "repaired" and repaired is None:
            repaired, is_verified = at, False
        elif repaired is None:
            continue
        elif change == "verified":
            is_verified = is_verified or at - repaired <= within
        elif change == "reopened":
            later = "held" if is_verified else "unproven"
            found.append({"outcome": "reopened" if at - repaired <= within else later})
            repaired = None
        elif change == "dismissed":
            repaired = None
    if repaired is not None:
        is_over = now - repaired >= within
        found.append({"outcome": ("held" if is_verified else "unproven") if is_over else "waiting"})
    return found
