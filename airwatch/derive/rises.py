"""Rises of a tank's pressure from one level to another, the engine running and no air used meanwhile."""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from airwatch.derive.change_line import Flags, Floats, Places
from airwatch.derive.crossings import Crossed, crossings
from airwatch.derive.rise_line import OWN_TANKS, RiseLine, Span, last_of, reduced, rise_line
from airwatch.derive.rise_steps import RiseSteps
from airwatch.derive.tuning import BuildUp

FOUND = pl.Schema(
    {
        "span": pl.Int64(),
        "run": pl.UInt32(),
        "circuit": pl.String(),
        "start": pl.Datetime("us"),
        "end": pl.Datetime("us"),
        "timing_s": pl.Float64(),
        "before_s": pl.Float64(),
        "is_popped": pl.Boolean(),
        "line_kpa": pl.Float64(),
        **{f"{tank}_share": pl.Float64() for tank in OWN_TANKS},
        "revolutions": pl.Float64(),
        "turning": pl.Float64(),
        "fastest": pl.Float64(),
        "top_rpm": pl.Float64(),
    }
)
"""One row a rise, by span, tank, run and time.

``span`` is its place among those asked for; ``timing_s`` the standard error of the duration; ``revolutions`` of the
engine, null where its speed is not known, and ``turning``, their standard error; ``top_rpm``; ``before_s``: for how
long the engine had run when it began, with no air used since and without going much faster, 0 where that came later;
``fastest``: how much faster, turn for turn, some stretch of the same pumping was than this rise, null where that is not
known; ``is_popped``: the run went below the pressure at which the trailer supply and parking valves close by
themselves, and since then the parking brake has stayed set and nothing has let pressure sag while the engine pumped, as
a trailer does whose valves open; ``line_kpa`` by how much the trailer supply line rose, and ``{tank}_share`` by how
much each tank rose for what this one did, null where it is not sent. A tank that stands higher is closed off by its
check valve and does not rise.
"""


def rises(samples: pl.DataFrame, spans: Sequence[Span], tuning: BuildUp, kpa_of: Mapping[str, Floats]) -> pl.DataFrame:
    """Find the rises of the unit's own tanks.

    A rounded value changes when the true pressure passes the middle between the two values, so a rise is read from the
    times of its changes: at each the pressure is known to the sensor's accuracy, and the levels are interpolated
    between them. A rise with the brake applied, the parking brake moved, the unit moving, a step back or a silence in
    it is left out: air was used, or not seen.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    kpa_of : mapping
        As `airwatch.derive.frames.tank_pressures` gives it of these samples.

    Returns
    -------
    DataFrame
        Columns as `FOUND`.
    """
    line = rise_line(samples, spans, tuning, kpa_of)
    if line is None:
        return pl.DataFrame(schema=FOUND)
    steps = RiseSteps.of(line, tuning)
    crossed = crossings(line, steps, tuning)
    return _undisturbed(line, steps, crossed, tuning)


def _undisturbed(line: RiseLine, steps: RiseSteps, crossed: Crossed, tuning: BuildUp) -> pl.DataFrame:
    """Keep the rises in which no air was used and none went unseen, with what else happened in each."""
    if not crossed.case.size:
        return pl.DataFrame(schema=FOUND)
    ends = np.append(line.first[1:], line.kpa.size)
    begin, end = np.empty((2, crossed.case.size), dtype=np.int64)
    for k, case in enumerate(crossed.case):  # of few rises
        first, t_us = line.first[case], line.t_us[line.first[case] : ends[case]]
        begin[k] = first + max(int(np.searchsorted(t_us, crossed.start_us[k], side="right")), 1)
        end[k] = min(first + int(np.searchsorted(t_us, crossed.end_us[k])) + 1, ends[case])

    def count(flags: Flags) -> Places:
        so_far: Places = np.append(0, np.cumsum(flags, dtype=np.int64))
        return so_far[end] - so_far[begin]

    def over(ufunc: np.ufunc, values: Floats) -> Floats:
        return reduced(ufunc, np.append(values, np.nan), begin, end)

    air_used = (line.n_uses[end - 1] > line.n_uses[begin]) | (count(steps.is_back) > 0)
    has_rpm = count(np.isnan(line.rpm)) == 0
    rose = np.stack([_rose(kpa, begin, end) for kpa in line.tanks_kpa])
    tank = line.tank[crossed.case]
    figures = {
        "timing_s": crossed.timing_s,
        "before_s": crossed.before_s,
        "line_kpa": over(np.fmax, line.line_kpa) - over(np.fmin, line.line_kpa),
        **dict(zip((f"{name}_share" for name in OWN_TANKS), rose / rose[tank, np.arange(tank.size)], strict=True)),
    }
    of_speed = {
        "revolutions": crossed.revolutions,
        "turning": np.sqrt(over(np.add, np.nan_to_num(steps.turning) ** 2)),
        "fastest": crossed.fastest,
        "top_rpm": over(np.fmax, line.rpm),
    }
    figures |= {name: np.where(has_rpm, values, np.nan) for name, values in of_speed.items()}
    columns = {
        "span": line.span[crossed.case],
        "run": line.run[crossed.case].astype(np.uint32),
        "circuit": np.array(OWN_TANKS)[tank],
        "start": crossed.start_us.astype("datetime64[us]"),
        "end": crossed.end_us.astype("datetime64[us]"),
        "is_popped": count(line.is_popped & ~steps.has_sagged) == end - begin,
    }
    kept = np.flatnonzero(~air_used & (over(np.maximum, steps.gap_s) <= tuning.longest_gap_s))
    found = [pl.Series(name, values[kept]) for name, values in columns.items()]
    found += [pl.Series(name, values[kept], nan_to_null=True) for name, values in figures.items()]
    return pl.DataFrame(found, schema_overrides=FOUND).select(FOUND.keys())


def _rose(kpa: Floats, begin: Places, end: Places) -> Floats:
    """Give by how much a tank rose from the last sample before a rise to the first behind it; NaN where not known."""
    known = np.flatnonzero(~np.isnan(kpa))
    last = last_of(known, end - 1)
    first = np.append(known, kpa.size)[np.searchsorted(known, begin - 1)]
    is_told = (last >= begin) & (first < end - 1)
    return np.where(is_told, kpa[np.maximum(last, 0)] - kpa[np.minimum(first, kpa.size - 1)], np.nan)
