"""Where the pressure of a tank passes the two levels of a rise, among the changes of its rounded values."""

from dataclasses import dataclass

import numpy as np

from airwatch.derive.change_line import Floats, Places
from airwatch.derive.rise_line import RiseLine, before, last_of, reduced, running_max
from airwatch.derive.rise_steps import RiseSteps
from airwatch.derive.tuning import BuildUp


@dataclass(frozen=True, slots=True)
class Crossed:
    """From the last passage of one level to the first of the other; arrays over rises, as in `FOUND`."""

    case: Places
    start_us: Places
    end_us: Places
    timing_s: Floats
    before_s: Floats
    revolutions: Floats
    fastest: Floats


@dataclass(frozen=True, slots=True)
class _Changes:
    """Changes of a line's pressure: the place of the sample that shows it, and where the change lies.

    It lies between two samples, anywhere were it one step; of several, some lie on either side. The pressure then is
    between the two values.
    """

    at: Places
    case: Places
    us: Floats
    kpa: Floats
    turns: Floats
    turns_sd: Floats
    share: Floats

    @classmethod
    def of(cls, line: RiseLine, steps: RiseSteps) -> "_Changes":
        is_change = line.kpa != steps.kpa0
        is_change[line.first] = False
        at = np.flatnonzero(is_change)
        case = line.case[at]
        share = line.step[case] / np.abs(line.kpa[at] - steps.kpa0[at])
        turned = steps.turns[at] - steps.turns[at - 1]
        return cls(
            at=at,
            case=case,
            us=(line.t_us[at] + steps.t0_us[at]) / 2,
            kpa=(line.kpa[at] + steps.kpa0[at]) / 2,
            turns=(steps.turns[at] + steps.turns[at - 1]) / 2,
            turns_sd=turned * share / np.sqrt(12),
            share=share,
        )


def crossings(line: RiseLine, steps: RiseSteps, tuning: BuildUp) -> Crossed:
    """Find the rises of a line, from the last passage of the lower level to the first of the upper one after it."""
    changes = _Changes.of(line, steps)
    is_up = line.kpa[changes.at] > steps.kpa0[changes.at]
    is_up &= np.append(False, changes.case[1:] == changes.case[:-1])[: is_up.size]
    kpa0 = before(changes.kpa)

    def through(level: Floats) -> Places:
        of_each = level[changes.case]
        return np.flatnonzero(is_up & (kpa0 < of_each) & (changes.kpa >= of_each))

    def crossing(level: Floats, at: Places) -> tuple[Floats, Floats, Floats]:
        """Give the time, the turns and the standard error of the time at which a change ``at`` passes the level."""
        rose = changes.kpa[at] - kpa0[at]
        share = (level[changes.case[at]] - kpa0[at]) / rose
        us = changes.us[at - 1] + share * (changes.us[at] - changes.us[at - 1])
        turns = changes.turns[at - 1] + share * (changes.turns[at] - changes.turns[at - 1])
        per_s = rose / ((changes.us[at] - changes.us[at - 1]) / 1e6)
        # where in the sample spacing the change was, and a quarter step of sensor noise, at the slope of the crossing
        spacing_s = steps.gap_s[changes.at[at]] * changes.share[at]
        return us, turns, np.sqrt(spacing_s**2 / 12 + (line.step[changes.case[at]] / 4 / per_s) ** 2)

    highs = through(line.to_kpa)
    lows = last_of(through(line.from_kpa), highs)
    is_of_case = (lows >= 0) & (changes.case[lows] == changes.case[highs])
    lows, is_nearest = np.unique(lows[is_of_case], return_index=True)
    highs = highs[is_of_case][is_nearest]
    case = changes.case[highs]
    low_us, low_turns, low_error_s = crossing(line.from_kpa, lows)
    high_us, high_turns, high_error_s = crossing(line.to_kpa, highs)
    revolutions = high_turns - low_turns
    pace = _pace(line, steps, changes, highs, tuning)
    return Crossed(
        case=case,
        start_us=np.rint(low_us).astype(np.int64),
        end_us=np.rint(high_us).astype(np.int64),
        timing_s=np.sqrt(low_error_s**2 + high_error_s**2),
        before_s=np.maximum((low_us - steps.spurt_us[changes.at[highs]]) / 1e6, 0.0),
        revolutions=revolutions,
        fastest=pace * revolutions / (line.to_kpa - line.from_kpa)[case],
    )


def _pace(line: RiseLine, steps: RiseSteps, changes: _Changes, upto: Places, tuning: BuildUp) -> Floats:
    """Give how fast, at the least, some stretch of ``pace_kpa`` had risen in the same pumping up to a change.

    kPa for each turn of the engine, NaN where none tells, between changes to values that the part had not had before:
    noise makes others too. Stretches far below the first level say little of it, the first seconds are fast by
    themselves, as gas warms, and a tank that stands behind another of the unit's own has the compressor to itself.
    """
    if not upto.size:
        return np.zeros(0)
    kpa, part = line.kpa[changes.at], steps.part[changes.at]
    is_new = np.append(False, (part[1:] == part[:-1]) & (kpa[1:] > running_max(kpa, part)[:-1]))
    new = np.flatnonzero(is_new)
    step = line.step[changes.case[new]]
    wide = np.rint(tuning.pace_kpa / 2.0 ** np.floor(np.log2(np.clip(step, 1.0, 8.0)))).astype(np.int64)
    place = np.arange(new.size) - wide
    back = new[np.maximum(place, 0)]
    at, back_at = changes.at[new], changes.at[back]
    behind_kpa = np.fmax.reduce(line.tanks_kpa[:, back_at]) - line.kpa[back_at]
    taken = changes.turns[new] - changes.turns[back] + (changes.turns_sd[new] + changes.turns_sd[back]) / 2.0
    is_told = (
        (place >= 0)
        & (part[back] == part[new])
        & (changes.kpa[back] >= line.from_kpa[changes.case[new]] - tuning.pace_below_kpa)
        & (behind_kpa <= tuning.pace_behind_steps * step)
        & (steps.is_cut[at] | (changes.us[back] - steps.spurt_us[at] >= tuning.pace_after_s * 1e6))
        & (taken > 0.0)
    )
    told = new[is_told]
    pace = np.full(changes.at.size + 1, -np.inf)
    pace[told] = (changes.kpa[told] - changes.kpa[back[is_told]]) / taken[is_told]
    pumping = steps.pumping[changes.at]
    best = reduced(np.maximum, pace, np.searchsorted(pumping, pumping[upto]), upto + 1)
    return np.where(np.isfinite(best), best, np.nan)
