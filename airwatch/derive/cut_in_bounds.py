"""Where in a fall the compressor was cut in: the bottom shows late, and the brakes draw quickly."""

import numpy as np
import numpy.typing as npt

from airwatch.derive.change_line import ChangeLine, Floats, Places
from airwatch.derive.tuning import Governor

_SLOW_S = 15.0  # before a cut-in over which a slowly falling pressure is averaged
_DOUBLES = 5  # of the time looked back for the beginning of a quick fall


def cut_in_bounds(line: ChangeLine, at: Places, tanks: Floats, apart: Floats, tuning: Governor) -> dict[str, Floats]:
    """Bound the cut-ins: in a slow fall the pressure is its mean shortly before the rise.

    Where air was drawn quickly, the compressor was cut in anywhere between the pressure before and the bottom.
    """
    if not at.size:
        return dict.fromkeys(("unknown", "value", "extra_var", "t_s", "early_s", "late_s", "rise"), np.empty(0))
    bottom, step = line.kpa[at], line.step[at]
    behind, is_own = line.around(at, 1)
    level = bottom + 1.5 * step  # crossed once noise no longer hides the rise
    is_up = is_own & (line.kpa[behind] > level[:, None])
    is_far = is_own & (line.kpa[behind] > (level + tuning.rise_steps * step - step)[:, None])
    each = np.arange(at.size)
    far_pick = np.where(is_far.any(axis=1), np.argmax(is_far, axis=1), np.maximum(is_own.sum(axis=1) - 1, 0))
    up_pick = np.minimum(np.where(is_up.any(axis=1), np.argmax(is_up, axis=1), far_pick), far_pick)
    far, up = behind[each, far_pick], behind[each, up_pick]
    gap_s = line.spacing_s[up]
    crossed_s = line.t_s[up] - gap_s / 2
    # from the crossing of one step above the bottom to that below `far`, half a gap early as well
    rose = np.maximum(line.kpa[far] - line.kpa[up], step)
    took_s = np.where(far > up, line.t_s[far] - line.t_s[up], 2.0 * gap_s)
    rise = np.maximum(rose / np.maximum(took_s, 0.5), tuning.slowest_rise_kpa_s)
    within_s = 1.5 * step / rise
    look_s = within_s + 2.0 * gap_s + 1.0

    before, is_own = line.around(at, -1)
    before, is_own = np.column_stack([at, before]), np.column_stack([np.ones(at.size, dtype=bool), is_own])
    since_s = (crossed_s - within_s)[:, None] - _SLOW_S
    held_s = np.minimum(line.held_s[before], line.t_s[up][:, None]) - np.maximum(line.t_s[before], since_s)
    held_s = np.where(is_own, np.maximum(held_s, 0.0), 0.0) + np.where(before == at[:, None], 1e-6, 0.0)
    slow = (line.kpa[before] * held_s).sum(axis=1) / held_s.sum(axis=1)
    look_s, above = _before_the_fall(line, before, is_own, crossed_s, look_s, bottom, step)
    is_quick = (above - bottom > step) | line.is_braking[at]
    # the tank may have been lower still between two samples, and filled again since
    unseen = np.minimum(rise * gap_s, 2.0 * step)
    # the lower of two tanks, each freed of its half of their difference
    half_apart = np.nan_to_num(apart[line.run[at]]) / 2.0
    is_primary = tanks[0, at] <= tanks[1, at]
    shift = np.where(is_primary, -half_apart, half_apart)
    low, high = bottom - unseen, np.maximum(above, bottom)
    mid_s = np.where(is_quick, crossed_s - 0.9 * within_s, crossed_s - np.clip(level - slow, 0.5 * step, None) / rise)
    return {
        "value": np.where(is_quick, (low + high) / 2.0, slow) + shift,
        "extra_var": np.where(is_quick, (high - low) ** 2 / 12.0, 0.0),
        "t_s": mid_s,
        "early_s": np.where(is_quick, gap_s + within_s / 2, gap_s / 2 + within_s / 2)
        + np.where(high - low > tuning.widest_fall_kpa, look_s, 0.0),
        "unknown": high - low > tuning.widest_fall_kpa,
        "late_s": gap_s / 2 + within_s / 2,
        "rise": rise,
    }


def mark_filling(
    line: ChangeLine, cut_outs: Places, cut_ins: Places, frame: dict[str, Floats], tuning: Governor
) -> None:
    """Mark cut-ins at the bottom of a long quick fall, a trailer being filled: the governor acted somewhere within."""
    if not cut_ins.size or not cut_outs.size:
        return
    out = cut_outs[np.maximum(np.searchsorted(cut_outs, cut_ins) - 1, 0)]
    fell = line.kpa[out] - line.kpa[cut_ins]
    took_s = line.t_s[cut_ins] - line.held_s[out]
    is_filling = (line.run[out] == line.run[cut_ins]) & (out < cut_ins) & (fell > tuning.widest_fall_kpa)
    is_filling &= fell > tuning.filling_kpa_s * took_s
    frame["unknown"] = np.where(is_filling, 1.0, frame["unknown"])
    frame["early_s"] = np.where(is_filling, np.maximum(frame["early_s"], took_s), frame["early_s"])


def _before_the_fall(
    line: ChangeLine,
    before: Places,
    is_own: npt.NDArray[np.bool_],
    at_s: Floats,
    look_s: Floats,
    bottom: Floats,
    step: Floats,
) -> tuple[Floats, Floats]:
    """Go back from cut-ins by doubled times to where the pressure fell slowly; give how far, and the pressure."""
    above, back_s = bottom, look_s
    is_falling = np.ones(bottom.size, dtype=bool)
    for double in range(_DOUBLES):
        far_s = look_s * 2.0**double
        is_near = is_own & (line.held_s[before] >= (at_s - far_s)[:, None])
        high = np.where(is_near, line.kpa[before], -np.inf).max(axis=1)
        is_falling &= (double == 0) | (high > above + step)
        above = np.where(is_falling, np.maximum(high, above), above)
        back_s = np.where(is_falling, far_s, back_s)
    return back_s, above
