"""Fleets of the project's own simulator with the cases that make alerts hard: half of the units are healthy.

Healthy units brake heavily in town, start in the cold, have reservoirs far larger than required, or borrow somebody's
leaking trailer for some days; all read a sensor up to a step off. Leaks and weak compressors come as slow ramps or in a
step.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipelines.simulation.duty import Duty
from pipelines.simulation.faults import FAULT_KINDS, Fault
from pipelines.simulation.fleet import SimulatedFleet, simulate_fleet
from pipelines.simulation.messages import Clock
from pipelines.simulation.recording import labels_csv, registry_csv, write_recording
from pipelines.simulation.scenario import Unit
from pipelines.simulation.weather import Climate

_SLOW_DAYS = (18.0, 24.0)  # from nothing to the whole size
_HARD = ("heavy braking", "cold", "large reservoirs", "borrowed trailer")


def hard_fleet(seed: int, n_units: int, days: int) -> SimulatedFleet:
    """Draw a fleet; equal arguments give equal fleets and messages."""
    drawn = simulate_fleet(seed, n_units, days, faulty_share=0.5, kinds=FAULT_KINDS).scenario
    rng = np.random.default_rng([seed, 77])
    faults = tuple(_slow(fault, rng, days) for fault in drawn.faults)
    bad = {fault.unit for fault in faults}
    leaky = [fault for fault in faults if fault.kind == "leak_trailer"]
    units: dict[str, Unit] = {unit.vehicle.name: unit for unit in drawn.units}
    healthy = [unit for unit in drawn.units if unit.vehicle.name not in bad]
    for k, unit in enumerate(healthy):
        case = _HARD[k % len(_HARD)]
        units[unit.vehicle.name] = _hard(unit, case, rng)
        if case == "borrowed trailer" and unit.vehicle.tows and leaky:
            fault = leaky.pop()
            lender = units[fault.unit]
            lent = range(days - 9, days - 5)  # four days, when the leak is there
            units[fault.unit] = replace(lender, trailers=_with(lender.trailers, lent, None))
            borrower = units[unit.vehicle.name]
            units[unit.vehicle.name] = replace(borrower, trailers=_with(borrower.trailers, lent, fault.trailer))
    return SimulatedFleet(replace(drawn, units=tuple(units.values()), faults=faults))


def _slow(fault: Fault, rng: np.random.Generator, days: int) -> Fault:
    if fault.onset != "ramp":
        return fault
    began = float(rng.uniform(0.08, 0.2)) * days
    return replace(fault, began_day=round(began, 2), ramp_days=round(float(rng.uniform(*_SLOW_DAYS)), 1))


def _hard(unit: Unit, case: str, rng: np.random.Generator) -> Unit:
    if case == "heavy braking":
        duty: Duty = replace(unit.duty, slow_every_s=9.0, brake_kpa=220.0, stop_share=0.5)
        return replace(unit, duty=duty)
    if case == "cold":
        return replace(unit, climate=Climate(mean_c=float(rng.uniform(-22.0, -12.0)), swing_c=8.0))
    if case == "large reservoirs":
        v = unit.vehicle
        larger = replace(v, supply_l=v.supply_l * 1.7, primary_l=v.primary_l * 1.7, secondary_l=v.secondary_l * 1.7)
        return replace(unit, vehicle=larger)
    return unit


def _with(trailers: tuple[str | None, ...], days: range, name: str | None) -> tuple[str | None, ...]:
    return tuple(name if day in days else trailer for day, trailer in enumerate(trailers))


def main() -> None:
    """Write recording, registry and labels: ``python -m tests.evaluation.own_fleet SEED UNITS DAYS FOLDER``."""
    seed, n_units, days = (int(text) for text in sys.argv[1:4])
    folder = Path(sys.argv[4])
    folder.mkdir(parents=True, exist_ok=True)
    fleet = hard_fleet(seed, n_units, days)
    write_recording(folder / "fleet.ndjson.zst", fleet.messages(), Clock(fleet.scenario.start))
    (folder / "units.csv").write_text(registry_csv(fleet.scenario))
    (folder / "labels.csv").write_text(labels_csv(fleet.scenario))


if __name__ == "__main__":
    main()
