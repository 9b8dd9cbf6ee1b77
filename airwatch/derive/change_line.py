"""Changes of the system pressure as arrays, to look for turns among them and around these."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_LOOK = 32  # changes looked at on either side of a turn


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """Values of the system pressure while the engine runs, one after the other, sorted by run and time.

    Attributes
    ----------
    row, held_row : array (changes,)
        Place of a value's first sample, and of its last, in the frame of samples.
    run : array (changes,)
    t_s, held_s : array (changes,)
        Times of these two, seconds since 1970.
    spacing_s : array (changes,)
        Time from the running sample before, within the run.
    kpa, step : array (changes,)
        System pressure, gauge kPa, and the step of its sensor.
    tanks : array (2, changes)
        What primary and secondary tank read at the first sample; NaN where one is not sent or does not move.
    has_supply : array (changes,)
        Whether the pressure is the supply tank's own.
    is_braking : array (changes,)
        Whether the brakes were on at the first sample, or at the one before or behind.
    """

    row: Places
    held_row: Places
    run: npt.NDArray[np.uint32]
    t_s: Floats
    held_s: Floats
    spacing_s: Floats
    kpa: Floats
    step: Floats
    tanks: Floats
    has_supply: Flags
    is_braking: Flags

    @classmethod
    def empty(cls) -> Self:
        """Give a line without changes."""
        row, none, flags = np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=bool)
        run = np.zeros(0, dtype=np.uint32)
        return cls(row, row, run, none, none, none, none, none, np.zeros((2, 0)), flags, flags)

    def only(self, is_kept: Flags) -> "ChangeLine":
        """Keep some of the changes."""
        at = np.flatnonzero(is_kept)
        return ChangeLine(
            row=self.row[at],
            held_row=self.held_row[at],
            run=self.run[at],
            t_s=self.t_s[at],
            held_s=self.held_s[at],
            spacing_s=self.spacing_s[at],
            kpa=self.kpa[at],
            step=self.step[at],
            tanks=self.tanks[:, at],
            has_supply=self.has_supply[at],
            is_braking=self.is_braking[at],
        )

    def around(self, at: Places, sign: int) -> tuple[Places, Flags]:
        """Give places of the next changes before (-1) or after (+1) each of ``at``, and which are of its run."""
        places = at[:, None] + sign * np.arange(1, _LOOK + 1)[None, :]
        inside = (places >= 0) & (places < self.run.size)
        places = np.clip(places, 0, self.run.size - 1)
        return places, inside & (self.run[places] == self.run[at][:, None])
