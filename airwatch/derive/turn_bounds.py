"""What is known of a turn of the governor: its pressure and time, and how far off either may be."""

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.change_line import ChangeLine, Floats, Places
from airwatch.derive.cut_in_bounds import cut_in_bounds, mark_filling
from airwatch.derive.tuning import Governor

TURNS = pl.Schema(
    {
        "run": pl.UInt32(),
        "t": pl.Datetime("us"),
        "kind": pl.String(),
        "governor_kpa": pl.Float64(),
        "lower_kpa": pl.Float64(),
        "upper_kpa": pl.Float64(),
        "early_s": pl.Float64(),
        "late_s": pl.Float64(),
        "rise_kpa_s": pl.Float64(),
        "own_sd_kpa": pl.Float64(),
        "step_kpa": pl.Float64(),
        "source": pl.String(),
        "loaded_from": pl.Datetime("us"),
    }
)
"""One row a turn, sorted by ``run, t``; ``kind`` is cut_out or cut_in.

``governor_kpa`` is the pressure at the governor with its 95 % interval, gauge kPa; null where not known. ``early_s``
and ``late_s`` are how much before and after ``t`` it may have been; ``rise_kpa_s`` is how fast the compressor filled
beside it; ``own_sd_kpa`` is the standard deviation of what the run's other turns do not share with it (all but the
sensor's offset and the check valve). ``source`` is pressure, state or event, or swing where it is no turn of the
governor at all. ``loaded_from`` is, for a run's first cut-out with no cut-in before it, since when the compressor had
filled.
"""

Z95 = 1.96


def bounded_turns(line: ChangeLine, cut_outs: Places, cut_ins: Places, tuning: Governor) -> pl.DataFrame:
    """Give pressure, time and bounds of turns.

    A brake tank's turn is referred to the supply tank by the opening of the check valve between. Where both brake tanks
    are sent, they read the same at cut-out but for their sensors, and the mean of their errors is what is left.

    Parameters
    ----------
    line : ChangeLine
    cut_outs, cut_ins : array of int
        Places in ``line``.

    Returns
    -------
    DataFrame
        Columns as `TURNS`.
    """
    supply, tanks = line.has_supply, line.tanks
    apart = _apart(line.run, tanks, cut_outs, supply)
    frames = [
        _cut_outs(line, cut_outs, tanks, apart, tuning),
        cut_in_bounds(line, cut_ins, tanks, apart, tuning),
    ]
    since = _loaded_from(line, cut_outs, cut_ins)
    parts = []
    mark_filling(line, cut_outs, cut_ins, frames[1], tuning)
    for (kind, at), frame in zip((("cut_out", cut_outs), ("cut_in", cut_ins)), frames, strict=True):
        opening = np.where(supply[at], 0.0, tuning.check_opening_kpa)
        # sensor off by up to a step either way, evenly; the mean of two such errors has half the variance
        is_pair = ~np.isnan(apart[line.run[at]]) & ~supply[at]
        offset_var = line.step[at] ** 2 / np.where(is_pair, 6.0, 3.0)
        own_var = line.step[at] ** 2 / 12.0 + frame["extra_var"]
        half = Z95 * np.sqrt(offset_var + opening**2 / 12.0 + own_var)
        value = frame["value"] + opening / 2.0
        is_seen = (line.spacing_s[at] <= tuning.longest_gap_s) & (frame["unknown"] == 0)
        parts.append(
            pl.DataFrame(
                {
                    "run": line.run[at],
                    "t": np.round(frame["t_s"] * 1e6).astype("int64").astype("datetime64[us]"),
                    "governor_kpa": np.where(is_seen, value, np.nan),
                    "lower_kpa": np.where(is_seen, value - half, np.nan),
                    "upper_kpa": np.where(is_seen, value + half, np.nan),
                    "early_s": frame["early_s"],
                    "late_s": frame["late_s"],
                    "rise_kpa_s": frame["rise"],
                    "own_sd_kpa": np.sqrt(own_var),
                    "step_kpa": line.step[at],
                    "loaded_from": since if kind == "cut_out" else np.full(at.size, np.datetime64("NaT", "us")),
                },
                nan_to_null=True,
            )
            .with_columns(kind=pl.lit(kind), source=pl.lit("pressure"))
            .select(TURNS.keys())
        )
    return pl.concat(parts).cast(TURNS).sort("run", "t")


def _apart(run: npt.NDArray[np.uint32], tanks: Floats, cut_outs: Places, supply: npt.NDArray[np.bool_]) -> Floats:
    """Give, by run number, how much more the primary tank reads than the secondary at cut-out; NaN if not known."""
    apart = np.full(int(run[-1]) + 1 if run.size else 1, np.nan)
    seen = (
        pl.DataFrame(
            {"run": run[cut_outs], "apart": tanks[0, cut_outs] - tanks[1, cut_outs], "supply": supply[cut_outs]}
        )
        .filter(~pl.col("supply") & pl.col("apart").is_not_nan())
        .group_by("run")
        .agg(pl.col("apart").median())
    )
    apart[seen["run"].to_numpy()] = seen["apart"].to_numpy()
    return apart


def _loaded_from(line: ChangeLine, cut_outs: Places, cut_ins: Places) -> npt.NDArray[np.datetime64]:
    """Give since when the compressor had filled before each run's first cut-out, if no cut-in is before it.

    A run that begins below its usual cut-in begins loaded; one that begins above, from its lowest pressure.
    """
    since = np.full(cut_outs.size, np.datetime64("NaT", "us"))
    is_first = np.append([True], line.run[cut_outs[1:]] != line.run[cut_outs[:-1]])[: cut_outs.size]
    firsts = np.flatnonzero(is_first)
    runs = line.run[cut_outs[firsts]]
    begins, ins = np.searchsorted(line.run, runs), line.run[cut_ins]
    lows, highs = np.searchsorted(ins, runs), np.searchsorted(ins, runs, side="right")
    for k, begin, low, high in zip(firsts.tolist(), begins.tolist(), lows.tolist(), highs.tolist(), strict=True):
        at, own = int(cut_outs[k]), cut_ins[low:high]
        if own.size and own[0] < at:
            continue
        usual = float(np.median(line.kpa[own])) if own.size else -np.inf
        lowest = begin
        if own.size and line.kpa[begin] > usual:
            part = line.kpa[begin : at + 1]
            lowest = begin + int(np.flatnonzero(part == part.min())[-1])
        at_s = line.t_s[begin] if lowest == begin else line.held_s[lowest]
        since[k] = np.datetime64(round(at_s * 1e6), "us")
    return since


def _rise_before(line: ChangeLine, at: Places, tuning: Governor) -> Floats:
    """Give the speed of the rise to each top, kPa/s, over `rise_steps` below it."""
    if not at.size:
        return np.empty(0)
    places, is_own = line.around(at, -1)
    is_far = is_own & (line.kpa[places] <= (line.kpa[at] - tuning.rise_steps * line.step[at])[:, None])
    pick = np.where(is_far.any(axis=1), np.argmax(is_far, axis=1), np.maximum(is_own.sum(axis=1) - 1, 0))
    far = places[np.arange(at.size), pick]
    rose = np.maximum(line.kpa[at] - line.kpa[far] - line.step[at], line.step[at])  # between changes of value
    speed: Floats = np.maximum(rose / np.maximum(line.t_s[at] - line.held_s[far], 0.5), tuning.slowest_rise_kpa_s)
    return speed


def _cut_outs(line: ChangeLine, at: Places, tanks: Floats, apart: Floats, tuning: Governor) -> dict[str, Floats]:
    rise = _rise_before(line, at, tuning)
    gap_s, within_s = line.spacing_s[at], line.step[at] / rise  # of the way through the step that the top reads
    mean = tanks[:, at].mean(axis=0)
    bound_s = gap_s / 2 + within_s / 2
    return {
        "value": np.where(np.isnan(apart[line.run[at]]) | np.isnan(mean), line.kpa[at], mean),
        "extra_var": (rise * gap_s) ** 2 / 12.0,  # what came between two samples
        "t_s": line.t_s[at] - gap_s / 2 + within_s / 2,
        "early_s": bound_s,
        "late_s": bound_s,
        "rise": rise,
        "unknown": np.zeros(at.size),
    }
