"""Draws how a unit is driven, and makes sure that a faulty one is used in the way that shows its fault."""

import numpy as np

from tests.second_fleet.vehicles import Habits

_DUTIES = {"tractor": ("highway", "highway", "city"), "truck": ("city", "city", "highway"), "bus": ("route",)}
_STATIC = {"leak_supply", "leak_primary", "leak_secondary", "supply_backflow"}
_HELD = {"leak_applied", "leak_released", "leak_trailer"}
_PUMPED = {"low_air_warning_low", "low_air_warning_missing", "protection_valve_low"}


def draw_habits(rng: np.random.Generator, *, kind: str, fault: str, case: str, governed_rpm: int) -> Habits:
    """Draw a driver's ways with a unit of a kind that has a fault ("" for none)."""
    duties = _DUTIES[kind]
    idle_builder = rng.random() < 0.55
    habits = Habits(
        duty=duties[int(rng.integers(len(duties)))],
        start_h=float(rng.uniform(4.5, 8.5)),
        work_s=float(rng.uniform(3.2, 5.6)) * 3600,
        build_rpm=0.0 if idle_builder else float(rng.choice([1000.0, 1300.0, governed_rpm, governed_rpm])),
        p_static=float(rng.uniform(0.1, 0.5)),
        p_holds=float(rng.uniform(0.1, 0.4)),
        p_full=float(rng.uniform(0.05, 0.3)),
        leaves_open=bool(rng.random() < 0.25),
        key_off_stops=float(rng.uniform(0.1, 0.6)),
        is_hard_braking=case == "hard_braking",
        drain=("supply", "all")[int(rng.integers(2))] if case == "drains" else "",
        indoor_k=float(rng.uniform(14, 24)) if case == "indoor" else 0.0,
        works_saturday=bool(rng.random() < 0.25),
    )
    if case == "hard_braking":
        habits.duty = "route" if kind == "bus" else "city"
    if fault in _STATIC:
        habits.p_static = max(habits.p_static, 0.6)
    if fault in _HELD or case == "borrows":
        habits.p_holds = max(habits.p_holds, 0.65)
    if fault in _PUMPED:
        habits.p_full = max(habits.p_full, 0.5)
    if fault == "compressor_weak":
        habits.p_full = max(habits.p_full, 0.2)
    return habits
