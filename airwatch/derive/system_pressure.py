"""The system pressure while the engine runs, reduced at once to the samples at which it changes.

The governor senses the supply tank. Where that is not sent, the lower of the moving brake tanks stands for it: air
flows from the supply tank into whichever tank is lower, so the two are equal within the opening pressure of a check
valve, and at cut-out all tanks are.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, require
from airwatch.derive.tuning import Governor, Pressure, shipped_tuning

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_TANKS = ("supply_kpa", "primary_kpa", "secondary_kpa")
_STEPS = (8.0, 4.0, 2.0, 1.0)  # as `airwatch.derive.sensor`
_NULL = -1.0  # no gauge pressure on the bus is below zero
_HELD = 20  # changes over which a lost value is bridged
_FEW = 3  # with fewer different values the step can't be told

CHANGES = pl.Schema(
    {
        "row": pl.Int64(),
        "held_row": pl.Int64(),
        "run": pl.UInt32(),
        "t": pl.Datetime("us"),
        "held_to": pl.Datetime("us"),
        "spacing_s": pl.Float64(),
        "system_kpa": pl.Float64(),
        "primary_kpa": pl.Float64(),
        "secondary_kpa": pl.Float64(),
        "step_kpa": pl.Float64(),
        "has_supply": pl.Boolean(),
        "is_braking": pl.Boolean(),
    }
)
"""One row a value of the system pressure, engine running, sorted by ``run, t``.

``row`` is the place of its first sample in the frame of samples and ``held_row`` of its last; ``t``, ``held_to`` are
their times; ``spacing_s`` is the time from the sample before, within the run; ``primary_kpa``, ``secondary_kpa`` are
what the brake tanks read at its first sample, null where one is not sent or does not move; ``is_braking`` is whether
the brakes were on then or at the sample before or behind.
"""


@dataclass(frozen=True, slots=True)
class _Kept:
    """Samples at which any of the tanks' values changed; arrays over them, -1 where a pressure is null."""

    at: Places  # place among the running samples
    run: npt.NDArray[np.uint32]
    tanks: dict[str, Floats]


def pressure_changes(
    samples: pl.DataFrame, tuning: Governor | None = None, pressure: Pressure | None = None
) -> pl.DataFrame:
    """Find where the system pressure changes while the engine runs.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.

    Returns
    -------
    DataFrame
        Columns as `CHANGES`; pressures gauge kPa. Runs without a pressure that moves are not in it.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "pressure_changes")
    tuning = tuning or shipped_tuning().governor
    pressure = pressure or shipped_tuning().pressure
    rows = np.flatnonzero(samples["is_running"].to_numpy())
    sent = {name: _plain(samples[name])[rows] for name in _TANKS if samples[name].null_count() < samples.height}
    if not rows.size or not sent:
        return pl.DataFrame(schema=CHANGES)
    run = samples["run"].to_numpy()[rows]
    kept = _kept(run, sent)
    system, step, has_supply = _system(kept, tuning, pressure)

    is_known = system >= 0.0
    at, system, step, has_supply = kept.at[is_known], system[is_known], step[is_known], has_supply[is_known]
    run_kept = kept.run[is_known]
    is_new = np.ones(system.size, dtype=bool)
    is_new[1:] = (system[1:] != system[:-1]) | (run_kept[1:] != run_kept[:-1])
    at, run_new = at[is_new], run_kept[is_new]
    # a value holds until the sample before the next change, or to the last running sample of its run
    ends = np.flatnonzero(np.append(run[1:] != run[:-1], [True]))
    last = ends[np.searchsorted(ends, at)]
    held = np.minimum(np.append(at[1:] - 1, last[-1:]), last)
    t, brakes = samples["t"].to_numpy(), samples["is_braking"].to_numpy()
    before = np.maximum(at - 1, 0)
    spacing_s = np.where(run[before] == run[at], (t[rows[at]] - t[rows[before]]) / np.timedelta64(1, "s"), 0.0)
    tanks = {
        name: np.where(kept.tanks[name] >= 0.0, kept.tanks[name], np.nan)[is_known][is_new]
        if name in kept.tanks
        else None
        for name in _TANKS[1:]
    }
    return pl.DataFrame(
        {
            "row": rows[at],
            "held_row": rows[held],
            "run": run_new,
            "t": t[rows[at]],
            "held_to": t[rows[held]],
            "spacing_s": spacing_s,
            "system_kpa": system[is_new],
            **tanks,
            "step_kpa": step[is_new],
            "has_supply": has_supply[is_new],
            "is_braking": brakes[rows[at]] | brakes[rows[before]] | brakes[rows[np.minimum(at + 1, last)]],
        },
        schema=CHANGES,
        nan_to_null=True,
    )


def _plain(column: pl.Series) -> Floats:
    """Give the values, -1 for null."""
    return (column.fill_null(_NULL) if column.null_count() else column).to_numpy()


def _held(values: Floats, first: Places) -> Floats:
    """Put the value before in the place of a few nulls: else a lost value of one tank would show the other's."""
    known = values >= 0.0
    if known.all():
        return values
    place = np.arange(values.size)
    last = np.maximum.accumulate(np.where(known, place, -1))
    begin = np.repeat(first, np.diff(np.append(first, values.size)))
    is_held = ~known & (last >= begin) & (place - last <= _HELD)
    return np.where(is_held, values[np.maximum(last, 0)], values)


def _kept(run: npt.NDArray[np.uint32], sent: dict[str, Floats]) -> _Kept:
    is_change = np.ones(run.size, dtype=bool)
    is_change[1:] = run[1:] != run[:-1]
    for values in sent.values():
        is_change[1:] |= values[1:] != values[:-1]
    at = np.flatnonzero(is_change)
    return _Kept(at, run[at], {name: values[at] for name, values in sent.items()})


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
    supply = kept.tanks.get("supply_kpa", none)
    has_supply = np.maximum.reduceat(supply, first) >= 0.0
    step = np.where(has_supply, steps.get("supply_kpa", step), step)
    return np.where(has_supply[each], supply, lower), step[each], has_supply[each]


def _steps(values: Floats, first: Places, fallback: float) -> Floats:
    """Give the coarsest known step of which all values of each run are multiples, as `airwatch.derive.sensor` does."""
    known = np.where(values >= 0.0, values, 0.0)
    step = np.full(first.size, _STEPS[-1])
    for coarser in reversed(_STEPS):
        parts = known / coarser
        step = np.where(np.logical_and.reduceat(parts == np.rint(parts), first), coarser, step)
    # the range in steps stands for the number of different values
    low = np.minimum.reduceat(np.where(values >= 0.0, values, np.inf), first)
    is_few = np.maximum.reduceat(values, first) - low < (_FEW - 1) * step
    return np.where(is_few, fallback, step)
