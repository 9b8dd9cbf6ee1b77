"""What `system` steps with: the vehicles' figures and the driver's controls as arrays over units."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from pipelines.simulation.physics import Floats
from pipelines.simulation.vehicle import Trailer, Vehicle

Flags = npt.NDArray[np.bool_]

TANKS = ("supply", "primary", "secondary", "trailer")
SUPPLY, PRIMARY, SECONDARY, TRAILER = range(4)


@dataclass(slots=True)
class Parameters:
    """`Vehicle` and `Trailer` figures as arrays over units; see there for meaning and units."""

    volume_l: Floats  # (4, units)
    leak_mm2: Floats  # (4, units)
    leak_released_mm2: Floats
    leak_applied_mm2: Floats  # (4, units)
    back_s: Floats  # (2, units): primary, secondary
    filled_l: Floats  # (4, units) volume at brake pressure
    stroke_l: Floats  # (4, units)
    spring_l: Floats
    trailer_spring_l: Floats
    compressor_l: Floats  # litres swept in one engine turn
    clearance: Floats
    basic_efficiency: Floats
    cut_out_kpa: Floats
    cut_in_kpa: Floats
    warning_kpa: Floats
    park_pop_kpa: Floats
    protection_kpa: Floats
    accessory_opens_kpa: Floats
    gas_settle_s: Floats
    wall_settle_s: Floats
    warm_k: Floats  # (4, units)

    @classmethod
    def of(cls, rigs: Sequence[tuple[Vehicle, Trailer | None]]) -> Self:
        """Parameters of power units and what each has coupled; no trailer is a closed tank that nothing changes."""
        columns = [_column(vehicle, trailer) for vehicle, trailer in rigs]
        return cls(**{f.name: np.array([c[f.name] for c in columns], dtype=float).T for f in fields(cls)})

    def part(self, units: Flags) -> Self:
        """Give the parameters of some of the units."""
        return type(self)(**{f.name: getattr(self, f.name)[..., units] for f in fields(self)})


def _column(v: Vehicle, t: Trailer | None) -> dict[str, float | list[float]]:
    applied = [0.0, 0.0, 0.0, t.leak_applied_mm2 if t else 0.0]
    applied[TANKS.index(v.leak_applied_from)] = v.leak_applied_mm2
    return {
        "volume_l": [v.supply_l, v.primary_l, v.secondary_l, t.tank_l if t else 50.0],
        "leak_mm2": [v.leak_supply_mm2, v.leak_primary_mm2, v.leak_secondary_mm2, t.leak_mm2 if t else 0.0],
        "leak_released_mm2": v.leak_released_mm2,
        "leak_applied_mm2": applied,
        "back_s": [v.back_primary_s, v.back_secondary_s],
        "filled_l": [0.0, v.rear.filled_l, v.front.filled_l, t.chambers.filled_l + t.line_l if t else 0.0],
        "stroke_l": [0.0, v.rear.stroke_l, v.front.stroke_l, t.chambers.stroke_l if t else 0.0],
        "spring_l": v.spring_l,
        "trailer_spring_l": t.spring_l if t else 0.0,
        "compressor_l": v.compressor_cc * 1e-3 * v.drive_ratio,
        "clearance": v.clearance,
        "basic_efficiency": v.basic_efficiency,
        "cut_out_kpa": v.cut_out_kpa,
        "cut_in_kpa": v.cut_in_kpa,
        "warning_kpa": v.warning_kpa,
        "park_pop_kpa": v.park_pop_kpa,
        "protection_kpa": v.protection_kpa,
        "accessory_opens_kpa": v.accessory_opens_kpa,
        "gas_settle_s": v.gas_settle_s,
        "wall_settle_s": v.wall_settle_s,
        "warm_k": [v.supply_warm_k, v.service_warm_k, v.service_warm_k, 0.0],
    }


@dataclass(slots=True)
class Controls:
    """What driver and engine do during one step; arrays over units."""

    dt_s: Floats  # 0 leaves the unit as it is
    engine_rpm: Floats
    application_kpa: Floats  # asked for at the brake valve, gauge
    is_parked: Flags  # the parking brake is set
    is_trailer_fed: Flags  # the trailer supply knob is in
    accessory_l_per_min: Floats  # free air
    drain_mm2: Floats  # open drain cock of the supply tank
    ambient_c: Floats

    def part(self, units: Flags, share: Floats) -> Self:
        """Give the controls of some of the units during a share of their step."""
        kept = {f.name: getattr(self, f.name)[units] for f in fields(self)}
        return type(self)(**kept | {"dt_s": kept["dt_s"] * share})
