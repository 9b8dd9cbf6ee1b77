"""What a fault does to the numbers of a vehicle or trailer, and how it comes: in a step, a ramp, or now and then."""

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from pipelines.simulation.physics import leak_area_mm2
from pipelines.simulation.vehicle import Trailer, Vehicle

FaultKind = Literal[
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
]
FAULT_KINDS: tuple[FaultKind, ...] = get_args(FaultKind)
Onset = Literal["step", "ramp", "intermittent"]

RATED_KPA = 690.0  # gauge, 100 psi: leak sizes are stated at this pressure
BACKFLOW_SUPPLY_KPA_PER_MIN = 16.0  # what the supply side loses meanwhile; without it a check valve shows nothing
LEAST_EFFICIENCY = 0.05

# What `size` means, its unit of measure, and a plain example of a fault that a shop would mend.
SIZES: dict[FaultKind, tuple[str, float]] = {
    "leak_supply": ("kPa/min at 690 kPa, supply tank alone", 20.0),
    "leak_primary": ("kPa/min at 690 kPa, supply and primary tank together", 20.0),
    "leak_secondary": ("kPa/min at 690 kPa, supply and secondary tank together", 20.0),
    "leak_trailer": ("kPa/min at 690 kPa, all tanks together, trailer fed", 25.0),
    "leak_applied": ("kPa/min at 690 kPa brake pressure, supply and its service tank together", 28.0),
    "leak_released": ("kPa/min at 690 kPa, all tanks of the power unit, spring brakes released", 20.0),
    "compressor_weak": ("share of healthy delivery that is lost", 0.6),
    "governor_cut_out_high": ("cut-out, gauge kPa; cut-in moves with it", 1010.0),
    "governor_cut_out_low": ("cut-out, gauge kPa; cut-in moves with it", 760.0),
    "governor_short_cycling": ("difference of cut-out and cut-in, kPa", 40.0),
    "supply_backflow": ("time constant of the service tank's check valve letting air back, s", 120.0),
    "low_air_warning_low": ("warning point, gauge kPa", 300.0),
    "low_air_warning_missing": ("no figure", 0.0),
    "protection_valve_low": ("closing point, gauge kPa", 80.0),
    "abs_active": ("trouble code SPN", 791.0),
    "abs_intermittent": ("trouble code SPN", 790.0),
    "abs_lamp": ("0 lamp stays dark, 1 lamp stays on without a code", 0.0),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one unit; ``size`` is in the unit that `SIZES` names for its kind.

    ``began_day`` counts days from the recording's first UTC midnight; a ramp takes ``ramp_days`` to reach its size. An
    intermittent fault is there on about half of the days. From ``repaired_day`` on the unit is healthy again.
    A change takes effect at the unit's next key-on.
    """

    kind: FaultKind
    unit: str
    size: float
    began_day: float = 0.0
    onset: Onset = "step"
    ramp_days: float = 7.0
    repaired_day: float | None = None
    circuit: str = ""
    trailer: str = ""
    done: str = ""
    seed: int = 0

    def __post_init__(self) -> None:
        if self.kind not in FAULT_KINDS:
            raise ValueError(f"fault kind {self.kind!r} is not one of {', '.join(FAULT_KINDS)}")

    def level(self, day: float) -> float:
        """How much of the fault is there on a day: 0 none, 1 its whole size."""
        if day < self.began_day or (self.repaired_day is not None and day >= self.repaired_day):
            return 0.0
        if self.onset == "ramp":
            return min((day - self.began_day) / self.ramp_days, 1.0)
        if self.onset == "intermittent":
            return float(np.random.default_rng([self.seed, int(day)]).random() < 0.5)  # noqa: PLR2004 - half the days
        return 1.0


def faulty_vehicle(vehicle: Vehicle, faults: list[Fault], day: float, trailer: Trailer | None = None) -> Vehicle:
    """Give the vehicle as it is on a day: the healthy one, changed by each of its faults as far as it has come."""
    for fault in faults:
        level = fault.level(day)
        if fault.unit == vehicle.name and level > 0.0:
            vehicle = _changed(vehicle, fault, level, trailer)
    return vehicle


def faulty_trailer(trailer: Trailer, faults: list[Fault], day: float, vehicle: Vehicle) -> Trailer:
    """Give the trailer as it is on a day; ``vehicle`` is what tows it, whose tanks fall with the trailer's."""
    for fault in faults:
        level = fault.level(day)
        if fault.kind == "leak_trailer" and fault.trailer == trailer.name and level > 0.0:
            area = leak_area_mm2(fault.size * level, vehicle.reservoir_l + trailer.tank_l, at_kpa=RATED_KPA)
            trailer = replace(trailer, leak_mm2=trailer.leak_mm2 + area)
    return trailer


def _changed(v: Vehicle, fault: Fault, level: float, trailer: Trailer | None) -> Vehicle:
    kind, size = fault.kind, fault.size
    changes: dict[str, float | str] = {}
    if kind.startswith("leak_") and kind != "leak_trailer":
        changes = _leak(v, fault, size * level)
    elif kind == "compressor_weak":
        changes["basic_efficiency"] = v.basic_efficiency * max(1.0 - size * level, LEAST_EFFICIENCY)
    elif kind in ("governor_cut_out_high", "governor_cut_out_low"):
        shift = (size - v.cut_out_kpa) * level
        changes = {"cut_out_kpa": v.cut_out_kpa + shift, "cut_in_kpa": v.cut_in_kpa + shift}
    elif kind == "governor_short_cycling":
        gap = v.cut_out_kpa - v.cut_in_kpa
        changes["cut_in_kpa"] = v.cut_out_kpa - gap + (gap - size) * level
    elif kind == "supply_backflow":
        side = fault.circuit or "primary"
        volume_l = v.supply_l + (v.secondary_l if side == "secondary" else v.primary_l)
        loss = leak_area_mm2(BACKFLOW_SUPPLY_KPA_PER_MIN * level, volume_l, at_kpa=RATED_KPA)
        changes = {"leak_supply_mm2": v.leak_supply_mm2 + loss, f"back_{side}_s": size / level}
    elif kind == "low_air_warning_low":
        changes["warning_kpa"] = v.warning_kpa + (size - v.warning_kpa) * level
    elif kind == "low_air_warning_missing":
        changes["warning_kpa"] = 0.0
    elif kind == "protection_valve_low":
        name = "protection_kpa" if trailer is not None or v.tows else "park_pop_kpa"
        healthy = v.protection_kpa if name == "protection_kpa" else v.park_pop_kpa
        changes[name] = healthy + (size - healthy) * level
    # Electrical faults change no air, and a trailer's leak is in the trailer.
    return replace(v, **changes)  # type: ignore[arg-type]


def _leak(v: Vehicle, fault: Fault, kpa_per_min: float) -> dict[str, float | str]:
    """Give the hole that a leak is, sized by all that falls together with it."""
    field = f"{fault.kind}_mm2"
    source = "secondary" if fault.circuit == "secondary" else "primary"
    volume_l = {
        "leak_supply": v.supply_l,
        "leak_primary": v.supply_l + v.primary_l,
        "leak_secondary": v.supply_l + v.secondary_l,
        "leak_released": v.reservoir_l,
        "leak_applied": v.supply_l + (v.secondary_l if source == "secondary" else v.primary_l),
    }[fault.kind]
    area = getattr(v, field) + leak_area_mm2(kpa_per_min, volume_l, at_kpa=RATED_KPA)
    return {field: area, "leak_applied_from": source} if fault.kind == "leak_applied" else {field: area}
