"""`supply_drop`: how fast the supply tank falls in the first minute after a cut-out."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Self

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, floats, require
from airwatch.derive.tuning import SupplyDrop, shipped_tuning
from airwatch.derive.turn_bounds import TURNS, Z95

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_AT_END = 3  # samples averaged at either end
_NOISE_VAR = 1 / 12 + 0.09  # of one sample, in squared steps: rounding, and noise of 0.3 step


def supply_drop_readings(
    samples: pl.DataFrame, turns: pl.DataFrame, runs: pl.DataFrame, tuning: SupplyDrop | None = None
) -> pl.DataFrame:
    """Give one reading for each cut-out after which the brakes rest, of units that send the supply pressure.

    The supply tank falls after a cut-out as its hot gas cools, and as it feeds the brake tanks. A check valve that lets
    air back shows in a brake tank falling with the supply tank although that is the lower one; such a tank is the
    reading's ``part``. Where the supply pressure is not sent, nothing tells this from use, and there is no reading.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    turns : DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; kPa/min, positive for a fall.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "supply_drop_readings")
    require(turns, TURNS, "supply_drop_readings")
    tuning = tuning or shipped_tuning().supply_drop
    if samples["supply_kpa"].null_count() == samples.height:
        return as_measured(pl.DataFrame())
    supplied = samples.lazy().filter(pl.col("supply_kpa").is_not_null()).select(pl.col("run").unique()).collect()
    outs = (
        turns.filter(kind="cut_out")
        .join(supplied, on="run", how="semi", maintain_order="left")
        .join(runs.select("run", "fleet", "unit", "trailer", "run_start"), on="run", maintain_order="left")
    )
    arrays = _Arrays.of(samples)
    found = [_drop(arrays, *window, tuning) for window in _windows(arrays, outs, tuning)]
    kept = [i for i, row in enumerate(found) if row is not None]
    if not kept:
        return as_measured(pl.DataFrame())
    measured = pl.DataFrame([row for row in found if row is not None], infer_schema_length=None)
    return (
        pl.concat([outs[kept].select(*UNIT, "trailer", "run_start"), measured], how="horizontal")
        .with_columns(circuit=pl.lit("supply"), check=pl.lit("supply_drop"), measure=pl.lit("kPa/min"))
        .pipe(as_measured)
    )


@dataclass(frozen=True, slots=True)
class _Arrays:
    """Columns of the samples; pressures are supply, primary and secondary, NaN where not sent."""

    run: npt.NDArray[np.uint32]
    t_us: Places
    is_quiet: npt.NDArray[np.bool_]
    kpa: tuple[Floats, ...]

    @classmethod
    def of(cls, samples: pl.DataFrame) -> Self:
        return cls(
            samples["run"].to_numpy(),
            samples["t"].to_physical().to_numpy(),
            (samples["is_running"] & ~samples["is_braking"]).to_numpy(),
            tuple(floats(samples[f"{name}_kpa"]) for name in ("supply", "primary", "secondary")),
        )


def _windows(samples: _Arrays, outs: pl.DataFrame, tuning: SupplyDrop) -> list[tuple[int, int]]:
    """Give first and end row of the quiet time behind each cut-out: up to brake use, engine stop or `longest_s`."""
    run = outs["run"].to_numpy()
    lows, highs = (np.searchsorted(samples.run, run, side=side) for side in ("left", "right"))
    begins_us = outs["t"].to_physical().to_numpy() + (outs["late_s"].to_numpy() * 1e6).astype(np.int64)
    out = []
    for low, high, begin_us in zip(lows.tolist(), highs.tolist(), begins_us.tolist(), strict=True):
        span_us = [begin_us, begin_us + round(tuning.longest_s * 1e6)]
        first, end = (low + np.searchsorted(samples.t_us[low:high], span_us)).tolist()
        disturbed = np.flatnonzero(~samples.is_quiet[first:end])
        out.append((first, first + int(disturbed[0]) if disturbed.size else end))
    return out


def _drop(samples: _Arrays, first: int, end: int, tuning: SupplyDrop) -> dict[str, object] | None:
    """Measure one window; None where it is too short or lacks the supply pressure."""
    if end - first < 2 * _AT_END or samples.t_us[end - 1] - samples.t_us[first] < tuning.shortest_s * 1e6:
        return None
    t_us = samples.t_us[first:end]
    if np.diff(t_us).max() > tuning.longest_gap_s * 1e6:
        return None
    took_s = float(t_us[-_AT_END:].mean() - t_us[:_AT_END].mean()) / 1e6
    head, tail = (
        np.array([pressure[low : low + _AT_END].mean() for pressure in samples.kpa]) for low in (first, end - _AT_END)
    )
    if np.isnan(head[0] + tail[0]):
        return None
    fell = head - tail
    supply = samples.kpa[0][first:end]
    seen = supply[~np.isnan(supply)]
    step = next((s for s in (8.0, 4.0, 2.0) if (seen % s == 0).all()), 1.0)
    half = Z95 * step * (2 * _NOISE_VAR) ** 0.5 / took_s * 60.0  # rounding of one value over and over does not average
    value = float(fell[0]) / took_s * 60.0
    follower = None
    for name, at, other in (("primary", 1, 2), ("secondary", 2, 1)):
        # feeding a tank, supply falls no more than it; past it, the tank falls only for use of its own or air let back
        is_past = fell[0] - fell[at] >= tuning.past_steps * step
        if is_past and fell[at] - fell[other] >= tuning.follows_steps * step:
            follower = name
    follows = (
        f"the {follower} tank goes with it: its check valve lets air back, or it feeds something by itself"
        if follower
        else "no brake tank goes with it"
    )
    return {
        "start": _time(t_us[0]),
        "end": _time(t_us[-1]),
        "value": value,
        "lower": value - half,
        "upper": value + half,
        "part": follower,
        "note": f"{took_s:.0f} s after cut-out without brake use, {head[0]:.0f} to {tail[0]:.0f} kPa; {follows}",
    }


def _time(t_us: int) -> datetime:
    """Turn microseconds since 1970 into a time."""
    return datetime(1970, 1, 1) + timedelta(microseconds=int(t_us))  # noqa: DTZ001 times are UTC without a zone
