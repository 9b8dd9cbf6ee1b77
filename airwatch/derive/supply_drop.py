"""`supply_drop`: how fast the supply tank falls in the first minute after a cut-out."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require, tank_pressures
from airwatch.derive.swings import SWING
from airwatch.derive.tuning import SupplyDrop, shipped_tuning
from airwatch.derive.turn_bounds import TURNS, Z95

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_AT_END = 3  # samples averaged at either end
_NOISE_VAR = 1 / 12 + 0.09  # of one sample, in squared steps: rounding, and noise of 0.3 step


def supply_drop_readings(
    samples: pl.DataFrame,
    turns: pl.DataFrame,
    runs: pl.DataFrame,
    tuning: SupplyDrop | None = None,
    kpa_of: Mapping[str, Floats] | None = None,
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
    kpa_of : mapping, optional
        As `airwatch.derive.frames.tank_pressures` gives it of these samples, where the caller has it already.

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
    turns = turns.filter(pl.col("source") != SWING)
    tuning = tuning or shipped_tuning().supply_drop
    if samples["supply_kpa"].null_count() == samples.height:
        return as_measured(pl.DataFrame())
    supplied = samples.lazy().filter(pl.col("supply_kpa").is_not_null()).select(pl.col("run").unique()).collect()
    outs = (
        turns.filter(kind="cut_out")
        .join(supplied, on="run", how="semi", maintain_order="left")
        .join(runs.select("run", "fleet", "unit", "trailer", "run_start"), on="run", maintain_order="left")
    )
    kpa_of = kpa_of or tank_pressures(samples)
    arrays = _Arrays.of(samples, kpa_of)
    first, end = _windows(arrays, outs, tuning)
    kept = np.flatnonzero(_is_enough(arrays, first, end, tuning))
    measured = _drops(arrays, first[kept], end[kept], tuning)
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
    def of(cls, samples: pl.DataFrame, kpa_of: Mapping[str, Floats]) -> Self:
        none = np.broadcast_to(np.nan, samples.height)
        return cls(
            samples["run"].to_numpy(),
            samples["t"].to_physical().to_numpy(),
            (samples["is_running"] & ~samples["is_braking"]).to_numpy(),
            tuple(kpa_of.get(tank, none) for tank in ("supply", "primary", "secondary")),
        )


def _windows(samples: _Arrays, outs: pl.DataFrame, tuning: SupplyDrop) -> tuple[Places, Places]:
    """Give first and end row of the quiet time behind each cut-out: up to brake use, engine stop or `longest_s`."""
    run = outs["run"].to_numpy()
    lows, highs = (np.searchsorted(samples.run, run, side=side) for side in ("left", "right"))
    begins_us = outs["t"].to_physical().to_numpy() + (outs["late_s"].to_numpy() * 1e6).astype(np.int64)
    longest_us = round(tuning.longest_s * 1e6)
    first, end = np.zeros(run.size, dtype=np.int64), np.zeros(run.size, dtype=np.int64)
    spans = zip(lows.tolist(), highs.tolist(), begins_us.tolist(), strict=True)
    for k, (low, high, begin_us) in enumerate(spans):
        first[k], end[k] = low + np.searchsorted(samples.t_us[low:high], [begin_us, begin_us + longest_us])
    disturbed = np.append(np.flatnonzero(~samples.is_quiet), samples.is_quiet.size)
    return first, np.minimum(end, disturbed[np.searchsorted(disturbed, first)])


def _is_enough(samples: _Arrays, first: Places, end: Places, tuning: SupplyDrop) -> npt.NDArray[np.bool_]:
    """Say which windows are long enough, have no silence in them, and the supply pressure at either end."""
    is_enough = end - first >= 2 * _AT_END
    last = np.where(is_enough, end - 1, first.clip(0, samples.t_us.size - 1))
    begin = np.where(is_enough, first, last)
    is_enough &= samples.t_us[last] - samples.t_us[begin] >= tuning.shortest_s * 1e6
    silences = np.flatnonzero(np.diff(samples.t_us) > tuning.longest_gap_s * 1e6)
    is_enough &= np.searchsorted(silences, begin) == np.searchsorted(silences, last)
    head, tail = _ends(samples.kpa[0], begin, last + 1)
    return is_enough & ~np.isnan(head + tail)


def _ends(values: Floats | Places, first: Places, end: Places) -> tuple[Floats, Floats]:
    """Give the means of the first and of the last few values of windows."""
    few = np.arange(_AT_END)
    last = values.size - 1
    head = values[np.minimum(first[:, None] + few, last)].mean(axis=1)
    tail = values[np.maximum(end[:, None] - _AT_END + few, 0)].mean(axis=1)
    return head, tail


def _drops(samples: _Arrays, first: Places, end: Places, tuning: SupplyDrop) -> pl.DataFrame:
    """Measure the windows."""
    early, late = _ends(samples.t_us, first, end)
    took_s = (late - early) / 1e6
    heads, tails = zip(*(_ends(pressure, first, end) for pressure in samples.kpa), strict=True)
    fell = [head - tail for head, tail in zip(heads, tails, strict=True)]
    step = np.array([_step(samples.kpa[0][low:high]) for low, high in zip(first.tolist(), end.tolist(), strict=True)])
    # rounding of one value over and over does not average
    half = Z95 * step * (2 * _NOISE_VAR) ** 0.5 / took_s * 60.0
    value = fell[0] / took_s * 60.0
    follower = np.full(first.size, None, dtype=object)
    for name, at, other in (("primary", 1, 2), ("secondary", 2, 1)):
        # feeding a tank, supply falls no more than it; past it, the tank falls only for use of its own or air let back
        is_past = fell[0] - fell[at] >= tuning.past_steps * step
        follower[is_past & (fell[at] - fell[other] >= tuning.follows_steps * step)] = name
    told = (took_s, heads[0], tails[0], follower)
    notes = [_note(*row) for row in zip(*(column.tolist() for column in told), strict=True)]
    return pl.DataFrame(
        {
            "start": pl.Series(samples.t_us[first]).cast(TIME),
            "end": pl.Series(samples.t_us[end - 1]).cast(TIME),
            "value": value,
            "lower": value - half,
            "upper": value + half,
            "part": pl.Series(follower.tolist(), dtype=pl.String),
            "note": pl.Series(notes, dtype=pl.String),
        }
    )


def _step(kpa: Floats) -> float:
    """Give the coarsest step of which all values of a window are multiples."""
    seen = kpa[~np.isnan(kpa)]
    return next((step for step in (8.0, 4.0, 2.0) if (seen % step == 0).all()), 1.0)


def _note(took_s: float, head_kpa: float, tail_kpa: float, follower: str | None) -> str:
    follows = (
        f"the {follower} tank goes with it: its check valve lets air back, or it feeds something by itself"
        if follower
        else "no brake tank goes with it"
    )
    return f"{took_s:.0f} s after cut-out without brake use, {head_kpa:.0f} to {tail_kpa:.0f} kPa; {follows}"
