"""The system pressure while the engine runs, reduced at once to the samples at which it changes.

The governor senses the supply tank. Where that is not sent, the lower of the moving brake tanks stands for it: air
flows from the supply tank into whichever tank is lower, so the two are equal within the opening pressure of a check
valve, and at cut-out all tanks are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.change_line import ChangeLine, Flags, Floats, Places
from airwatch.derive.frames import RUN_SAMPLES, require, tank_pressures
from airwatch.derive.sensor import coarsest_steps
from airwatch.derive.tuning import Governor, Pressure, shipped_tuning

_TANKS = ("supply", "primary", "secondary")
_NULL = -1.0  # no gauge pressure on the bus is below zero
_HELD = 20  # changes over which a lost value is bridged
_FEW = 3  # with fewer different values the step can't be told


@dataclass(frozen=True, slots=True)
class _Kept:
    """Samples at which any of the tanks' values changed; arrays over them, -1 where a pressure is null."""

    at: Places  # place among the running samples
    run: npt.NDArray[np.uint32]
    tanks: dict[str, Floats]


def pressure_changes(
    samples: pl.DataFrame,
    tuning: Governor | None = None,
    pressure: Pressure | None = None,
    kpa_of: Mapping[str, Floats] | None = None,
) -> ChangeLine:
    """Find where the system pressure changes while the engine runs.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    kpa_of : mapping, optional
        As `airwatch.derive.frames.tank_pressures` gives it of these samples, where the caller has it already.

    Returns
    -------
    ChangeLine
        Runs without a pressure that moves are not in it.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "pressure_changes")
    tuning = tuning or shipped_tuning().governor
    pressure = pressure or shipped_tuning().pressure
    is_running, run = samples["is_running"].to_numpy(), samples["run"].to_numpy()
    rows = np.flatnonzero(is_running)
    kpa_of = kpa_of or tank_pressures(samples)
    sent = {tank: kpa_of[tank] for tank in _TANKS if tank in kpa_of}
    if not rows.size or not sent:
        return ChangeLine.empty()
    kept = _kept(rows, is_running, run, sent)
    system, step, has_supply = _system(kept, tuning, pressure)

    known = np.flatnonzero(system >= 0.0)
    value, run_known = system[known], kept.run[known]
    is_new = np.append([True], (value[1:] != value[:-1]) | (run_known[1:] != run_known[:-1]))[: known.size]
    new = known[is_new]
    at, run_new = kept.at[new], kept.run[new]
    # a value holds until the sample before the next change, or to the last running sample of its run
    of_run, n_of_run = np.unique(run_new, return_counts=True)
    last = np.repeat(np.searchsorted(rows, np.searchsorted(run, of_run, side="right")) - 1, n_of_run)
    held = np.minimum(np.append(at[1:] - 1, last[-1:]), last)
    before, behind = np.maximum(at - 1, 0), np.minimum(at + 1, last)
    row, row_before, held_row = rows[at], rows[before], rows[held]
    t_us, brakes = samples["t"].to_physical().to_numpy(), samples["is_braking"].to_numpy()
    own_us = t_us[row]
    none = np.full(new.size, np.nan)
    tanks = [_or_nan(kept.tanks[name][new]) if name in kept.tanks else none for name in _TANKS[1:]]
    return ChangeLine(
        row=row,
        held_row=held_row,
        run=run_new,
        t_s=own_us / 1e6,
        held_s=t_us[held_row] / 1e6,
        spacing_s=np.where(run[row_before] == run_new, (own_us - t_us[row_before]) / 1e6, 0.0),
        kpa=system[new],
        step=step[new],
        tanks=np.stack(tanks),
        has_supply=has_supply[new],
        is_braking=brakes[row] | brakes[row_before] | brakes[rows[behind]],
    )


def _or_nan(values: Floats) -> Floats:
    return np.where(values >= 0.0, values, np.nan)


def _kept(rows: Places, is_running: Flags, run: npt.NDArray[np.uint32], sent: dict[str, Floats]) -> _Kept:
    """Keep the running samples (``rows``) that differ from the one before; pressures NaN where null."""
    # all samples are compared with their neighbours, and the few behind a stop with the one before it afterwards
    is_change = np.append([True], (run[1:] != run[:-1]) | ~is_running[:-1])
    for values in sent.values():
        bits = values.view(np.int64)  # two NaN are alike
        is_change[1:] |= bits[1:] != bits[:-1]
    at = np.flatnonzero(is_change[rows])
    kept = rows[at]
    tanks = {name: np.nan_to_num(values[kept], nan=_NULL) for name, values in sent.items()}
    restarts = np.flatnonzero(~is_running[kept[1:] - 1]) + 1
    is_same = run[kept[restarts]] == run[kept[restarts - 1]]
    for values in tanks.values():
        is_same &= values[restarts] == values[restarts - 1]
    is_kept = np.ones(at.size, dtype=bool)
    is_kept[restarts[is_same]] = False
    return _Kept(at[is_kept], run[kept[is_kept]], {name: values[is_kept] for name, values in tanks.items()})


def _held(values: Floats, first: Places) -> Floats:
    """Put the value before in the place of a few nulls: else a lost value of one tank would show the other's."""
    known = values >= 0.0
    lost = np.flatnonzero(~known[1:] & known[:-1]) + 1  # where nulls begin
    run_end = np.append(first[1:], values.size)
    ends = np.append(np.flatnonzero(known[1:] & ~known[:-1]) + 1, values.size)
    ends = np.minimum(ends[np.searchsorted(ends, lost)], run_end[np.searchsorted(first, lost - 1, side="right") - 1])
    sizes = np.clip(ends - lost, 0, _HELD)
    at = np.arange(sizes.sum()) + np.repeat(lost - (np.cumsum(sizes) - sizes), sizes)
    filled = values.copy()
    filled[at] = np.repeat(values[lost - 1], sizes)
    return filled


def _system(kept: _Kept, tuning: Governor, pressure: Pressure) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Give system pressure (-1 for none), sensor step, and whether it is the supply tank's own; changes ``kept``.

    A brake tank that does not move in a run becomes null there.
    """
    first = np.flatnonzero(np.append([True], kept.run[1:] != kept.run[:-1]))
    each = np.repeat(np.arange(first.size), np.diff(np.append(first, kept.run.size)))
    for name, values in kept.tanks.items():
        kept.tanks[name] = _held(values, first)
    steps = {name: _steps(values, first, pressure.fallback_step_kpa) for name, values in kept.tanks.items()}
    none = np.full(kept.run.size, _NULL)
    lower, step = none.copy(), np.zeros(first.size)
    for name in _TANKS[1:]:
        if name not in kept.tanks:
            continue
        values = kept.tanks[name]
        known = np.where(values >= 0.0, values, np.inf)
        span = np.maximum.reduceat(values, first) - np.minimum.reduceat(known, first)
        is_moving = span >= tuning.prominence_steps * steps[name]
        moving = np.where(is_moving[each], values, _NULL)
        kept.tanks[name] = moving
        is_both = (moving >= 0.0) & (lower >= 0.0)
        lower = np.where(is_both, np.minimum(moving, lower), np.maximum(moving, lower))
        step = np.where(is_moving, np.maximum(step, steps[name]), step)
    supply = kept.tanks.get("supply", none)
    has_supply = np.maximum.reduceat(supply, first) >= 0.0
    step = np.where(has_supply, steps.get("supply", step), step)
    return np.where(has_supply[each], supply, lower), step[each], has_supply[each]


def _steps(values: Floats, first: Places, fallback: float) -> Floats:
    """Give the coarsest known step of which all values of each run are multiples, as `airwatch.derive.sensor` does."""
    step = coarsest_steps(np.where(values >= 0.0, values, 0.0), first)
    # the range in steps stands for the number of different values
    low = np.minimum.reduceat(np.where(values >= 0.0, values, np.inf), first)
    is_few = np.maximum.reduceat(values, first) - low < (_FEW - 1) * step
    return np.where(is_few, fallback, step)
