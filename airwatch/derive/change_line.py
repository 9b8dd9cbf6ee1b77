"""Changes of the system pressure as arrays, to look around the turns among them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from airwatch.derive.system_pressure import Floats, Places

_LOOK = 32  # changes looked at on either side of a turn


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """Columns of `airwatch.derive.system_pressure.CHANGES`; seconds and gauge kPa."""

    run: npt.NDArray[np.uint32]
    t_s: Floats
    held_s: Floats
    kpa: Floats
    step: Floats
    spacing_s: Floats
    is_braking: npt.NDArray[np.bool_]

    def around(self, at: Places, sign: int) -> tuple[Places, npt.NDArray[np.bool_]]:
        """Give places of the next changes before (-1) or after (+1) each of ``at``, and which are of its run."""
        places = at[:, None] + sign * np.arange(1, _LOOK + 1)[None, :]
        inside = (places >= 0) & (places < self.run.size)
        places = np.clip(places, 0, self.run.size - 1)
        return places, inside & (self.run[places] == self.run[at][:, None])
