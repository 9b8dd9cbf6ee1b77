"""How often a quantised pressure was at each of its levels, by blocks of time: all that a fit needs of the samples."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Cells:
    """Samples of equal level in one block of time, counted. Sorted by record and time; records may be empty.

    Attributes
    ----------
    record : array (cells,)
    t_s, level, count : array (cells,)
        Mean time of the samples; pressure in sensor steps; number of samples.
    """

    record: Ints
    t_s: Floats
    level: Floats
    count: Floats


def occupancy(record: Ints, t_s: Floats, level: Floats, *, per_level: float, least: int, most: int) -> Cells:
    """Count samples by record, block of time and level.

    A block's mean time stands for its samples, so the pressure must move by little within a block: there are
    ``least`` blocks and ``per_level`` more for each level that the record spans, at most ``most``.

    Parameters
    ----------
    record : array (samples,)
        Which record a sample belongs to; rising, from 0.
    t_s, level : array (samples,)
        Time, rising in a record; whole number of sensor steps.
    """
    if record.size == 0:
        none = np.zeros(0)
        return Cells(np.zeros(0, dtype=np.int64), none, none, none)
    starts = np.append(0, np.flatnonzero(record[1:] != record[:-1]) + 1)
    sizes = np.diff(starts, append=record.size)
    span = np.maximum.reduceat(level, starts) - np.minimum.reduceat(level, starts)
    blocks = np.minimum(np.minimum(least + np.ceil(per_level * span), most), sizes)
    began, ended = t_s[starts], t_s[starts + sizes - 1]
    rate = blocks * (1.0 - 1e-9) / np.maximum(ended - began, 1e-9)
    block = ((t_s - np.repeat(began, sizes)) * np.repeat(rate, sizes)).astype(np.int64)
    is_first = np.empty(record.size, dtype=bool)
    is_first[0] = True
    np.not_equal(block[1:], block[:-1], out=is_first[1:])
    is_first[starts] = True
    heads = np.flatnonzero(is_first)
    lowest = np.minimum.reduceat(level, heads)
    width = (np.maximum.reduceat(level, heads) - lowest).astype(np.int64) + 1
    base = np.cumsum(width) - width
    slot = (level + np.repeat(base - lowest, np.diff(heads, append=record.size))).astype(np.int64)
    size = int(base[-1] + width[-1])
    count = np.bincount(slot, minlength=size)
    total_s = np.bincount(slot, t_s, minlength=size)
    used = np.flatnonzero(count)
    of_block = np.repeat(np.arange(heads.size), width)[used]
    return Cells(
        record=record[heads][of_block],
        t_s=total_s[used] / count[used],
        level=used - base[of_block] + lowest[of_block],
        count=count[used].astype(np.float64),
    )
