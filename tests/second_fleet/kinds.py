"""The faults a unit or trailer can have: which there are, how large, how they begin and how they come and go."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Onset = Literal["step", "ramp", "intermittent"]

KINDS: tuple[str, ...] = (
    "leak_supply",
    "leak_primary",
    "leak_secondary",
    "leak_trailer",
    "leak_applied",
    "leak_released",
    "compressor_weak",
    "governor_cut_out_high",
    "governor_cut_out_low",
    "governor_short_cycling",
    "supply_backflow",
    "low_air_warning_low",
    "low_air_warning_missing",
    "protection_valve_low",
    "abs_active",
    "abs_intermittent",
    "abs_lamp",
)
LEAKS: tuple[str, ...] = KINDS[:6]
DAY_S = 86400
HALF_DAY_S = DAY_S // 2

_AT_690 = "kPa/min at 690 kPa"
SIZE_UNIT: dict[str, str] = {
    "leak_supply": f"{_AT_690}, supply tank alone",
    "leak_primary": f"{_AT_690}, supply and primary tank together",
    "leak_secondary": f"{_AT_690}, supply and secondary tank together",
    "leak_trailer": f"{_AT_690}, all tanks together, trailer fed",
    "leak_applied": f"{_AT_690} applied, supply tank and the circuit's own together",
    "leak_released": f"{_AT_690}, the unit's own tanks together, park brake released",
    "compressor_weak": "share of healthy delivery that is lost",
    "governor_cut_out_high": "cut-out, gauge kPa; cut-in moves with it",
    "governor_cut_out_low": "cut-out, gauge kPa; cut-in moves with it",
    "governor_short_cycling": "cut-out less cut-in, kPa",
    "supply_backflow": "kPa that the supply tank alone loses in the first minute after cut-out",
    "low_air_warning_low": "pressure at which the warning comes on, gauge kPa",
    "low_air_warning_missing": "warning never comes",
    "protection_valve_low": "pressure at which the valves close, gauge kPa",
    "abs_active": "trouble code SPN",
    "abs_intermittent": "trouble code SPN",
    "abs_lamp": "0 never lights, 1 always lit",
}
CIRCUIT: dict[str, str] = {
    "leak_supply": "supply",
    "leak_primary": "primary",
    "leak_secondary": "secondary",
    "leak_trailer": "trailer",
    "compressor_weak": "supply",
    "governor_cut_out_high": "supply",
    "governor_cut_out_low": "supply",
    "governor_short_cycling": "supply",
    "supply_backflow": "supply",
}
"""Circuits that go with a kind; `leak_applied` has the one it was given, the others none."""

_SIZES: dict[str, tuple[float, float]] = {  # what a shop would mend: clearly past the limits of the rule set `us`
    "leak_supply": (24.0, 40.0),
    "leak_primary": (24.0, 40.0),
    "leak_secondary": (24.0, 40.0),
    "leak_trailer": (25.0, 40.0),
    "leak_applied": (32.0, 40.0),
    "leak_released": (24.0, 40.0),
    "compressor_weak": (50.0, 75.0),  # as seconds from 85 to 100 psi, turned into a share with the unit's own
    "governor_cut_out_high": (1015.0, 1042.0),
    "governor_cut_out_low": (724.0, 755.0),
    "governor_short_cycling": (21.0, 52.0),
    "supply_backflow": (32.0, 78.0),
    "low_air_warning_low": (276.0, 345.0),
    "low_air_warning_missing": (0.0, 0.0),
    "protection_valve_low": (35.0, 90.0),
}
_SINGLE_LOW = {"leak_primary": 18.0, "leak_secondary": 18.0, "leak_released": 18.0, "leak_applied": 26.0}
"""Least size where nothing can be towed: the limit for single vehicles is lower."""

_ONSETS: dict[str, tuple[Onset, ...]] = {
    "leak_supply": ("step", "ramp", "ramp"),
    "leak_primary": ("step", "ramp", "ramp", "intermittent"),
    "leak_secondary": ("step", "ramp", "ramp", "intermittent"),
    "leak_trailer": ("step", "ramp"),
    "leak_applied": ("step", "ramp", "ramp"),
    "leak_released": ("step", "ramp", "ramp"),
    "compressor_weak": ("step", "ramp", "ramp"),
    "governor_cut_out_high": ("step", "ramp"),
    "governor_cut_out_low": ("step", "ramp"),
    "governor_short_cycling": ("step", "ramp"),
    "abs_intermittent": ("intermittent",),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. ``began_s`` and ``ramp_s`` are seconds, the first since the recording's start.

    ``size`` is in the unit of `SIZE_UNIT` and is reached at the end of the ramp; ``is_on`` tells for each half day
    whether an intermittent fault is there.
    """

    kind: str
    circuit: str
    began_s: int
    onset: Onset
    ramp_s: int
    size: float
    is_on: NDArray[np.bool_]


def draw_fault(rng: np.random.Generator, kind: str, *, is_towing: bool, days: int) -> Fault:
    """Draw a fault that begins between day 5 and 14 of 28; in a shorter recording, in proportion."""
    squeeze = min(1.0, days / 28)
    low, high = _SIZES.get(kind, (0.0, 0.0))
    if not is_towing:
        low = _SINGLE_LOW.get(kind, low)
    size = float(np.round(rng.uniform(low, high), 1))
    if kind in ("abs_active", "abs_intermittent"):
        size = float(rng.integers(789, 793))  # wheel speed sensors of the first two axles
    elif kind == "abs_lamp":
        size = float(rng.integers(0, 2))
    onsets = _ONSETS.get(kind, ("step",))
    onset = onsets[int(rng.integers(len(onsets)))]
    circuit = CIRCUIT.get(kind, "")
    if kind == "leak_applied":
        circuit = ("primary", "secondary")[int(rng.integers(2))]
    return Fault(
        kind=kind,
        circuit=circuit,
        began_s=round(rng.uniform(5, 14) * squeeze * DAY_S),
        onset=onset,
        ramp_s=round(rng.uniform(10, 14) * squeeze * DAY_S) if onset == "ramp" else 1,
        size=size,
        is_on=rng.random(2 * days + 2) < 0.6,
    )


def share_there(faults: list[Fault | None], t_s: Floats) -> Floats:
    """Tell how much of each fault is there at each one's own time: 0 nothing, 1 its whole size."""
    share = np.zeros(len(faults))
    for k, fault in enumerate(faults):
        if fault is None or t_s[k] < fault.began_s:
            continue
        share[k] = min(1.0, (t_s[k] - fault.began_s) / fault.ramp_s)
        if fault.onset == "intermittent" and fault.kind != "abs_intermittent":
            share[k] *= fault.is_on[min(int(t_s[k] // HALF_DAY_S), fault.is_on.size - 1)]
    return share
