"""The samples around rises of a unit's own tanks, as arrays: few of all, so that the rest is done on little."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.change_line import Flags, Floats, Places
from airwatch.derive.frames import floats
from airwatch.derive.sensor import coarsest_steps
from airwatch.derive.tuning import BuildUp, Pressure, shipped_tuning

OWN_TANKS = ("supply", "primary", "secondary")
_BEFORE, _AFTER = 300, 12  # samples kept around a rise: the change before its first level, the one after its last
_STATES = ("is_parked", "is_braking", "is_moving", "is_running")


@dataclass(frozen=True, slots=True)
class Span:
    """A rise that is asked for: between which gauge pressures, kPa, and in which runs, all where it is None."""

    from_kpa: float
    to_kpa: float
    runs: pl.Series | None = None


@dataclass(frozen=True, slots=True)
class RiseLine:
    """Samples with the tank's pressure, one case after the other; a case is one span, one tank and one run.

    Attributes
    ----------
    first : array (cases,)
        Place of each case's first sample.
    case : array (samples,)
        Which case a sample is of.
    tank, span, run : array (cases,)
        The tank's place in `OWN_TANKS`, the span's among those asked for, and the run.
    from_kpa, to_kpa, step : array (cases,)
        The span's levels, gauge kPa, and the step of the tank's sensor.
    t_us : array (samples,)
        Time, microseconds since 1970.
    kpa, line_kpa : array (samples,)
        The tank's own pressure, and the trailer supply line's, NaN where that is not known; gauge.
    tanks_kpa : array (tanks, samples)
        What each of `OWN_TANKS` reads, NaN where that is not known.
    rpm : array (samples,)
        Engine speed, 1/min, NaN where it is not known.
    is_running, is_braking : array (samples,)
    is_popped : array (samples,)
        The parking and trailer valves had closed by themselves, and the parking brake has stayed set since.
    n_uses : array (samples,)
        How many samples so far used air, of those without this pressure too.
    """

    first: Places
    case: Places
    tank: Places
    span: Places
    run: Places
    from_kpa: Floats
    to_kpa: Floats
    step: Floats
    t_us: Places
    kpa: Floats
    line_kpa: Floats
    tanks_kpa: Floats
    rpm: Floats
    is_running: Flags
    is_braking: Flags
    is_popped: Flags
    n_uses: Places


def rise_line(
    samples: pl.DataFrame, spans: Sequence[Span], tuning: BuildUp, kpa_of: Mapping[str, Floats]
) -> RiseLine | None:
    """Gather the samples around each candidate rise; None where there is none.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    kpa_of : mapping
        As `airwatch.derive.frames.tank_pressures` gives it of these samples.
    """
    run = samples["run"].to_numpy()
    parts = [(tank, span) for span in range(len(spans)) for tank, name in enumerate(OWN_TANKS) if name in kpa_of]
    stretches = {tank: _Stretches.of(kpa_of[OWN_TANKS[tank]]) for tank, _ in parts}
    rows_of = [_rows(stretches[tank], run, spans[span], tuning) for tank, span in parts]
    at = np.concatenate([*rows_of, np.zeros(0, dtype=np.int64)])
    if not at.size:
        return None
    part = np.repeat(np.arange(len(parts)), [rows.size for rows in rows_of])
    some = samples.select("t", "engine_rpm", *_STATES)[at]
    is_parked, is_braking, is_moving, is_running = (some[name].to_numpy() for name in _STATES)
    is_same = np.append(False, (part[1:] == part[:-1]) & (run[at[1:]] == run[at[:-1]]))
    is_moved = is_same & np.append(False, is_parked[1:] != is_parked[:-1])
    n_uses = np.cumsum(is_braking | is_moving | is_moved | ~is_running)

    none = np.broadcast_to(np.nan, run.size)
    tanks_kpa = np.stack([kpa_of.get(name, none)[at] for name in OWN_TANKS])
    kpa = tanks_kpa[np.array([tank for tank, _ in parts])[part], np.arange(at.size)]
    known = np.flatnonzero(~np.isnan(kpa))
    at, part, kpa = at[known], part[known], kpa[known]
    run_at = run[at].astype(np.int64)
    is_first = np.append(True, (part[1:] != part[:-1]) | (run_at[1:] != run_at[:-1]))
    first = np.flatnonzero(is_first)
    span = np.array([span for _, span in parts])[part[first]]
    return RiseLine(
        first=first,
        case=np.cumsum(is_first) - 1,
        tank=np.array([tank for tank, _ in parts])[part[first]],
        span=span,
        run=run_at[first],
        from_kpa=np.array([one.from_kpa for one in spans])[span],
        to_kpa=np.array([one.to_kpa for one in spans])[span],
        step=_steps(kpa, first, shipped_tuning().pressure),
        t_us=some["t"].to_physical().to_numpy()[known],
        kpa=kpa,
        line_kpa=kpa_of.get("trailer", none)[at],
        tanks_kpa=tanks_kpa[:, known],
        rpm=floats(some["engine_rpm"])[known],
        is_running=is_running[known],
        is_braking=is_braking[known],
        is_popped=_popped(samples, kpa_of, run, at, tuning),
        n_uses=n_uses[known],
    )


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches of equal values of one tank's pressure: what each reads, its first and its last row."""

    kpa: Floats
    first: Places
    last: Places

    @classmethod
    def of(cls, kpa: Floats) -> "_Stretches":
        bits = kpa.view(np.int64)  # two NaN are alike
        first = np.flatnonzero(np.append(True, bits[1:] != bits[:-1])[: bits.size])
        return cls(kpa[first], first, np.append(first[1:], kpa.size)[: first.size] - 1)


def _rows(values: _Stretches, run: npt.NDArray[np.uint32], span: Span, tuning: BuildUp) -> Places:
    """Give the rows around the rises of one tank."""
    is_high = values.kpa >= span.to_kpa
    is_top = is_high.copy()
    is_top[1:] &= ~is_high[:-1]
    is_top[:1] = False
    tops = values.first[is_top]
    bottoms = last_of(values.last[values.kpa < span.from_kpa + tuning.near_kpa], tops)
    before = last_of(values.last[is_high], tops - 1)
    is_rise = (bottoms > before) & (run[np.maximum(bottoms, 0)] == run[tops])
    if span.runs is not None:
        is_rise &= np.isin(run[tops], span.runs.to_numpy())
    bottoms, tops = bottoms[is_rise], tops[is_rise]
    begins = np.maximum(bottoms - _BEFORE, np.searchsorted(run, run[tops]))
    ends = np.minimum(tops + 1 + _AFTER, np.searchsorted(run, run[tops], side="right"))
    begins = np.maximum(begins, np.append(0, ends[:-1])[: ends.size])  # none twice
    sizes = ends - begins
    rows: Places = np.arange(sizes.sum()) + np.repeat(begins - (np.cumsum(sizes) - sizes), sizes)
    return rows


def _popped(
    samples: pl.DataFrame, kpa_of: Mapping[str, Floats], run: npt.NDArray[np.uint32], at: Places, tuning: BuildUp
) -> Flags:
    """Tell where the valves have closed by themselves: both are held open by the higher of the service tanks.

    Two samples must show it and not nothing: sensors that go dark with the key fall to 0 from one sample to the next.
    """
    is_popped = np.zeros(at.size, dtype=bool)
    service = [kpa_of[name] for name in OWN_TANKS[1:] if name in kpa_of]
    if not service:
        return is_popped
    higher = np.fmax(service[0], service[-1])  # of the two that are sent
    is_low = (higher < tuning.popped_kpa) & (higher > 0.0)
    low = np.flatnonzero(is_low[1:] & is_low[:-1]) + 1
    emptied = last_of(low[run[low] == run[low - 1]], at)
    may = np.flatnonzero((emptied >= 0) & (run[emptied] == run[at]))
    if may.size:
        opened = np.flatnonzero(~samples["is_parked"].to_numpy())
        is_popped[may] = emptied[may] > last_of(opened, at[may])
    return is_popped


def _steps(kpa: Floats, first: Places, pressure: Pressure) -> Floats:
    """Give the step of each case's sensor, as `airwatch.derive.sensor.step_kpa` does."""
    sizes = np.diff(first, append=kpa.size)
    least, most = (np.repeat(of.reduceat(kpa, first), sizes) for of in (np.minimum, np.maximum))
    has_third = np.logical_or.reduceat((kpa > least) & (kpa < most), first)
    return np.where(has_third, coarsest_steps(kpa, first), pressure.fallback_step_kpa)


def last_of(rows: Places, at: Places) -> Places:
    """Give the last of ``rows``, which rise, at or before each of ``at``; -1 where there is none."""
    return np.append(-1, rows)[np.searchsorted(rows, at, side="right")]


def running_max(values: Floats, group: Places) -> Floats:
    """Give the greatest value so far within each group; ``group`` rises.

    The ranks of the values are compared, a group's above all of those before it: sums of floats would not be exact.
    """
    distinct = np.unique(values)
    base = group * distinct.size
    ranks: Places = np.maximum.accumulate(base + np.searchsorted(distinct, values)) - base
    return distinct[ranks]


def before(values: np.ndarray) -> np.ndarray:
    """Give the value of the sample before, and of the first its own."""
    return np.append(values[:1], values[:-1])


def reduced(ufunc: np.ufunc, values: Floats, begin: Places, end: Places) -> Floats:
    """Reduce from each ``begin`` to before each ``end``; ``values`` has one more behind that is not used."""
    reduced: Floats = ufunc.reduceat(values, np.column_stack([begin, end]).ravel())[::2]
    return reduced
