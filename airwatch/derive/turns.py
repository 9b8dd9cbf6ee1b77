"""Turning points of the system pressure: where the governor cut the compressor out and in."""

from collections.abc import Mapping
from statistics import median

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.signal import find_peaks

from airwatch.derive.change_line import ChangeLine, Flags, Floats, Places
from airwatch.derive.reported_turns import with_reported
from airwatch.derive.swings import with_swings
from airwatch.derive.system_pressure import pressure_changes
from airwatch.derive.tuning import Governor, shipped_tuning
from airwatch.derive.turn_bounds import TURNS, bounded_turns

_WALL_KPA = 1e6  # stands between runs: a peak search ends at anything higher
_SPIKE_STEPS = 2.0
_NEAR_STEPS = 1.5
_NEAR = 6  # changes
_BEHIND = 24  # changes


def governor_turns(
    samples: pl.DataFrame,
    runs: pl.DataFrame | None = None,
    events: pl.DataFrame | None = None,
    tuning: Governor | None = None,
    kpa_of: Mapping[str, Floats] | None = None,
) -> pl.DataFrame:
    """Find the cut-outs and cut-ins of each run: as the vehicle reports them, else from pressure and engine speed.

    A cut-out is the top of a rise, with the engine running on afterwards, from which the pressure falls for at least
    ``unloaded_s``; a cut-in is the bottom of the fall that follows a cut-out, with the engine running.
    A brake application during a pump-up makes a shorter fall, and a top far below the run's highest: neither is a
    cut-out. Slow swings of a pressure that the compressor never lets rest are marked; see `with_swings`.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs, events : DataFrame, optional
        As `airwatch.derive.runs.run_table` gives it; ``fleet, unit, t, kind, supply_kpa``.
    kpa_of : mapping, optional
        As `airwatch.derive.frames.tank_pressures` gives it of these samples, where the caller has it already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`, sorted by ``run, t``.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    tuning = tuning or shipped_tuning().governor
    changes = pressure_changes(samples, tuning, kpa_of=kpa_of)
    seen = _seen(samples, changes, tuning)
    return with_reported(seen, samples, changes, runs, events)


def _seen(samples: pl.DataFrame, changes: ChangeLine, tuning: Governor) -> pl.DataFrame:
    """Give the turns that the pressure alone shows."""
    if not changes.run.size:
        return pl.DataFrame(schema=TURNS)
    changes = changes.only(~_spikes(changes, samples))
    at, is_top = _alternating(changes, tuning)
    cut_outs, cut_ins = _governed(changes, at, is_top, tuning)
    return with_swings(bounded_turns(changes, cut_outs, cut_ins, tuning), tuning)


def _spikes(changes: ChangeLine, samples: pl.DataFrame) -> Flags:
    """Mark single samples that leave the pressure before and behind them: a sensor's, not the governor's.

    A fall of one sample may be the brakes drawing on a tank that fills up again; only with the brake switch known to be
    off is it a spike.
    """
    kpa, step, run = changes.kpa, changes.step, changes.run
    spikes = np.zeros(kpa.size, dtype=bool)
    is_single = changes.row == changes.held_row
    before, value, behind = kpa[:-2], kpa[1:-1], kpa[2:]
    least = _SPIKE_STEPS * step[1:-1]
    spikes[1:-1] = is_single[1:-1] & (run[:-2] == run[2:]) & (np.abs(before - behind) <= step[1:-1])
    spikes[1:-1] &= (np.abs(value - before) >= least) & (np.abs(value - behind) >= least)
    found = np.flatnonzero(spikes)
    rows = changes.row[found]
    near = (rows[:, None] + np.array([-1, 0, 1])).clip(0, samples.height - 1).ravel()
    switch = samples["service_brake"].gather(near).to_numpy().reshape(-1, 3)  # NaN where not sent
    is_off = (switch == 0).all(axis=1) & ~samples["is_braking"].gather(near).to_numpy().reshape(-1, 3).any(axis=1)
    spikes[found] = is_off | (kpa[found] > kpa[found - 1])
    return spikes


def _alternating(changes: ChangeLine, tuning: Governor) -> tuple[Places, Flags]:
    """Give tops and bottoms by turns, as places in ``changes``: of equal tops the first, of equal bottoms the last.

    The search first leaves out flicker, which may hide two steps of a turn; then the true turns are held to the whole
    prominence.
    """
    kpa, step, run = changes.kpa, changes.step, changes.run
    least = np.maximum(tuning.prominence_steps * step, tuning.prominence_kpa)
    plain = _without_flicker(changes)
    at, is_top = _search(kpa[plain], run[plain], np.maximum(least - 2 * step, step)[plain])
    found = _furthest_near(kpa, run, plain[at], is_top)
    is_end = np.append([True], run[1:] != run[:-1])
    ends = np.flatnonzero(is_end | np.append(is_end[1:], [True]))
    few = np.unique(np.concatenate([found, ends]))
    at, is_top = _search(kpa[few], run[few], least[few])
    return few[at], is_top


def _search(kpa: Floats, run: npt.NDArray[np.uint32], least: Floats) -> tuple[Places, Flags]:
    """Give tops and bottoms of each run that stand out by at least ``least``."""
    number = np.cumsum(np.append([False], run[1:] != run[:-1]))
    place = np.arange(kpa.size) + number + 1  # each run stands behind a wall
    line = np.empty(int(place[-1]) + 2)
    marks = []
    for sign in (1.0, -1.0):
        line[:] = _WALL_KPA
        line[place] = sign * kpa
        bends = _bends(line)
        found, shape = find_peaks(line[bends], prominence=0.0)
        found = bends[found]
        at = np.searchsorted(place, found)
        keep = (line[found] < _WALL_KPA) & (shape["prominences"] >= least[np.minimum(at, kpa.size - 1)])
        marks.append(at[keep])
    at = np.concatenate(marks)
    order = np.argsort(at, kind="stable")
    at, is_top = at[order], np.repeat([True, False], [marks[0].size, marks[1].size])[order]
    return _by_turns(kpa, number, at, is_top) if at.size else (at, is_top)


def _bends(line: Floats) -> Places:
    """Give the places at which a line turns or stands, and its ends: a peak search needs no others, and they are few.

    How far a peak stands out is found by going along the line from it, which takes most of the search's time.
    """
    slope = np.sign(np.diff(line))
    is_bend = np.ones(line.size, dtype=bool)
    is_bend[1:-1] = (slope[1:] != slope[:-1]) | (slope[1:] == 0.0)
    return np.flatnonzero(is_bend)


def _by_turns(kpa: Floats, number: Places, at: Places, is_top: Flags) -> tuple[Places, Flags]:
    """Keep one of successive tops, and one of successive bottoms, of a run."""
    is_new = np.append([True], (is_top[1:] != is_top[:-1]) | (number[at][1:] != number[at][:-1]))
    stretch = np.cumsum(is_new) - 1
    height = np.where(is_top, kpa[at], -kpa[at])
    is_best = height == np.maximum.reduceat(height, np.flatnonzero(is_new))[stretch]
    at, is_top, stretch = at[is_best], is_top[is_best], stretch[is_best]
    is_first = np.append([True], stretch[1:] != stretch[:-1])
    is_last = np.append(stretch[1:] != stretch[:-1], [True])
    kept = np.where(is_top, is_first, is_last)
    return at[kept], is_top[kept]


def _furthest_near(kpa: Floats, run: npt.NDArray[np.uint32], at: Places, is_top: Flags) -> Places:
    """Move each top to the first of the highest changes next to it, each bottom to the last of the lowest.

    Gas cools at once after a cut-out, so a top is brief.
    """
    ahead = np.arange(-_NEAR, _NEAR + 1)
    near = at[:, None] + np.where(is_top[:, None], ahead, -ahead)  # a bottom is looked at backwards
    is_own = (near > np.append([-1], at[:-1])[:, None]) & (near < np.append(at[1:], [kpa.size])[:, None])
    near = near.clip(0, kpa.size - 1)
    height = np.where(is_top[:, None], kpa[near], -kpa[near])
    height = np.where(is_own & (run[near] == run[at][:, None]), height, -np.inf)
    best: Places = near[np.arange(at.size), np.argmax(height, axis=1)]
    return best


def _without_flicker(changes: ChangeLine) -> Places:
    """Give places of the changes without those that noise makes: a step away and back.

    They are most of all changes, and a peak search over them is slow.
    """
    kpa, step, run = changes.kpa, changes.step, changes.run
    keep = np.ones(kpa.size, dtype=bool)
    keep[1:-1] = (kpa[2:] != kpa[:-2]) | (np.abs(kpa[1:-1] - kpa[:-2]) > step[1:-1]) | (run[2:] != run[:-2])
    places = np.flatnonzero(keep)
    left, run_left = kpa[places], run[places]
    is_new = np.ones(places.size, dtype=bool)
    is_new[1:] = (left[1:] != left[:-1]) | (run_left[1:] != run_left[:-1])
    return places[is_new]


def _governed(changes: ChangeLine, at: Places, is_top: Flags, tuning: Governor) -> tuple[Places, Places]:
    """Choose those turns that are the governor's; places in ``changes``."""
    if not at.size:
        return at, at
    run, kpa, t_s, held_s = changes.run, changes.kpa, changes.t_s, changes.held_s
    firsts = np.flatnonzero(np.append([True], run[1:] != run[:-1]))
    lasts = np.append(firsts[1:] - 1, run.size - 1)
    of = np.searchsorted(firsts, at, side="right") - 1
    first_of = np.flatnonzero(np.append([True], of[1:] != of[:-1]))
    group = np.searchsorted(first_of, np.arange(at.size), side="right") - 1
    highest = np.maximum.reduceat(np.where(is_top, kpa[at], 0.0), first_of)[group]
    falls_s = np.append(np.where(of[1:] == of[:-1], t_s[at[1:]] - t_s[at[:-1]], np.inf), [np.inf])
    runs_on = held_s[lasts[of]] - t_s[at] >= tuning.engine_after_s
    is_cut_out = is_top & runs_on & (falls_s >= tuning.unloaded_s) & (kpa[at] >= highest - tuning.agree_kpa)
    into_s = t_s[at] - t_s[firsts[of]]
    brisk = _brisk(kpa, t_s, held_s, at[~is_top], tuning)
    cut_ins: list[int] = []
    ends: list[int] = []
    for low, high in zip(first_of, np.append(first_of[1:], at.size), strict=True):
        part = slice(int(low), int(high))
        own = _cut_ins(at[part], is_top[part], is_cut_out[part], kpa[at[part]], into_s[part], tuning)
        ahead = np.append(at[part], lasts[of[low]])
        own = [
            b if b in brisk else _last_low(kpa, held_s, b, int(ahead[np.searchsorted(ahead, b) + 1]), tuning)
            for b in own
        ]
        cut_ins += own
        outs = at[part][is_cut_out[part]]
        if own and outs.size and own[-1] > outs[-1]:
            # the engine may stop before the pressure has fallen from the last cut-out: it reached the others'
            last = int(lasts[of[low]])
            top = own[-1] + int(np.argmax(kpa[own[-1] : last + 1]))
            is_there = kpa[top] >= np.median(kpa[outs]) - _NEAR_STEPS * changes.step[top]
            if is_there and held_s[last] - t_s[top] >= tuning.engine_after_s:
                ends.append(top)
    return np.sort(np.append(at[is_cut_out], np.array(ends, dtype=np.int64))), np.array(cut_ins, dtype=np.int64)


def _cut_ins(at: Places, is_top: Flags, is_cut_out: Flags, kpa: Floats, into_s: Floats, tuning: Governor) -> list[int]:
    """Give one run's cut-ins: the bottom behind each cut-out.

    Where several bottoms lie between two cut-outs, air rebounded before the cut-in, or was used while it filled: the
    first one is taken that is as low as the run's plain ones.
    """
    lead: list[int] = []
    behind: list[list[int]] = []
    for i, (is_out, is_high) in enumerate(zip(is_cut_out.tolist(), is_top.tolist(), strict=True)):
        if is_out:
            behind.append([])
        elif not is_high:
            (behind[-1] if behind else lead).append(i)
    read = kpa.tolist()
    behind = [low for low in behind if low]
    plain = [read[low[0]] for low in behind if len(low) == 1] or [min(read[i] for i in low) for low in behind]
    if not plain:
        return []
    usual = median(plain)
    chosen = []
    for low in behind:
        agreeing = (i for i in low if read[i] <= usual + tuning.cut_in_agree_kpa)
        first = next(agreeing, None)
        chosen.append(min(low, key=read.__getitem__) if first is None else first)
    # a record may begin in the middle of a fall: such a first bottom counts if it agrees with the cut-ins that follow
    if lead and lead[0] == 0 and into_s[0] >= tuning.unloaded_s and abs(read[0] - usual) <= tuning.cut_in_agree_kpa:
        chosen.insert(0, 0)
    return [int(at[i]) for i in chosen]


def _brisk(kpa: Floats, t_s: Floats, held_s: Floats, bottoms: Places, tuning: Governor) -> set[int]:
    """Give the bottoms that the pressure leaves at once: there `_last_low` changes nothing."""
    behind = np.minimum(bottoms[:, None] + np.arange(1, _BEHIND + 1), kpa.size - 1)
    is_up = kpa[behind] > (kpa[bottoms] + tuning.cut_in_agree_kpa)[:, None]
    up = behind[np.arange(bottoms.size), np.argmax(is_up, axis=1)]
    is_soon = is_up.any(axis=1) & (t_s[up] - held_s[bottoms] <= tuning.unloaded_s)
    # and does not come back to
    is_down = kpa[behind] <= (kpa[bottoms] + tuning.cut_in_agree_kpa)[:, None]
    is_back = (is_down & (behind > up[:, None])).any(axis=1)
    return set(bottoms[is_soon & ~is_back].tolist())


def _last_low(kpa: Floats, held_s: Floats, bottom: int, top: int, tuning: Governor) -> int:
    """Give the last low point before the rise to ``top``: what was drawn quickly before may have warmed up again."""
    low = bottom + int(np.flatnonzero(kpa[bottom : top + 1] <= kpa[bottom] + tuning.cut_in_agree_kpa)[-1])
    near = bottom + int(np.searchsorted(held_s[bottom : low + 1], held_s[low] - tuning.unloaded_s))
    part = kpa[near : low + 1]
    return near + int(np.flatnonzero(part == part.min())[-1])
