"""What happens from each sample around a rise to the next, and since when the engine has pumped without a break."""

from dataclasses import dataclass

import numpy as np

from airwatch.derive.change_line import Flags, Floats, Places
from airwatch.derive.rise_line import RiseLine, before, last_of, running_max
from airwatch.derive.tuning import BuildUp


@dataclass(frozen=True, slots=True)
class RiseSteps:
    """Arrays over the samples of a line; a case's first sample has none before it.

    Attributes
    ----------
    t0_us, kpa0 : array
        Time and pressure of the sample before.
    gap_s : array
        Time from it, seconds; 0 at a case's first.
    turns, turning : array
        Turns of the engine since the case began, and the standard error of those since the sample before, NaN where
        speed is not known.
    pumping, part : array
        Numbers of the times without a stop or brake use, and of those among them without a step back.
    spurt_us : array
        When the last time without a spurt of the engine began within the part, microseconds since 1970.
    is_cut : array
        Whether that began before what is seen.
    is_back, has_sagged : array
        Whether the pressure stepped back since the sample before, and whether it has sagged in this pumping.
    """

    t0_us: Places
    kpa0: Floats
    gap_s: Floats
    turns: Floats
    turning: Floats
    pumping: Places
    part: Places
    spurt_us: Places
    is_cut: Flags
    is_back: Flags
    has_sagged: Flags

    @classmethod
    def of(cls, line: RiseLine, tuning: BuildUp) -> "RiseSteps":
        """Work them out."""
        is_first = np.zeros(line.kpa.size, dtype=bool)
        is_first[line.first] = True
        t0_us, kpa0, rpm0 = before(line.t_us), before(line.kpa), before(line.rpm)
        gap_s = np.where(is_first, 0.0, (line.t_us - t0_us) / 1e6)
        turned = np.nan_to_num((line.rpm + rpm0) / 120.0 * gap_s, nan=0.0)
        turns = np.empty_like(turned)
        for begin, end in zip(line.first, np.append(line.first[1:], turned.size), strict=True):
            np.cumsum(
                turned[begin:end], out=turns[begin:end]
            )  # to the last bit the same whatever other cases there are
        step = line.step[line.case]
        is_back = ~is_first & (kpa0 - line.kpa > tuning.dip_steps * step)
        is_stop = is_first | ~line.is_running | line.is_braking
        is_new = is_stop | is_back
        is_spurt = is_new | (line.rpm > tuning.spurt * rpm0)
        pumping = np.cumsum(is_stop, dtype=np.int64)
        spurt = np.maximum.accumulate(np.where(is_spurt, np.arange(is_spurt.size), 0))
        is_sag = (running_max(line.kpa, pumping) - line.kpa) / step >= tuning.sag_steps
        stop = np.maximum.accumulate(np.where(is_stop, np.arange(is_stop.size), 0))
        return cls(
            t0_us=t0_us,
            kpa0=kpa0,
            gap_s=gap_s,
            turns=turns,
            # engine speed may have changed at any time between two samples
            turning=np.abs(line.rpm - rpm0) * gap_s / 60.0 / np.sqrt(12),
            pumping=pumping,
            part=np.cumsum(is_new, dtype=np.int64),
            spurt_us=line.t_us[spurt],
            is_cut=(is_first & line.is_running)[spurt],
            is_back=is_back,
            has_sagged=last_of(np.flatnonzero(is_sag), np.arange(is_sag.size)) >= stop,
        )
