"""Each fault, put into a vehicle, shows where and as large as its label says."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipelines.simulation import FAULT_KINDS, Fault, Trailer
from pipelines.simulation.faults import SIZES, faulty_trailer, faulty_vehicle
from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY, TRAILER, Parameters
from pipelines.simulation.physics import ATMOSPHERE_KPA
from pipelines.simulation.system import AirSystems

TANKS_THAT_FALL = {
    "leak_supply": [SUPPLY],
    "leak_primary": [SUPPLY, PRIMARY],
    "leak_secondary": [SUPPLY, SECONDARY],
    "leak_trailer": [SUPPLY, PRIMARY, SECONDARY, TRAILER],
    "leak_applied": [SUPPLY, PRIMARY],
    "leak_released": [SUPPLY, PRIMARY, SECONDARY],
}


@pytest.mark.parametrize("kind", TANKS_THAT_FALL)
def test_a_leak_makes_the_named_tanks_fall_at_the_labelled_rate(rigs: Any, kind: Any) -> None:
    trailer = Trailer("W-1", "test", leak_mm2=0.0, leak_applied_mm2=0.0, spring_l=0.0)
    vehicle = rigs.tractor(**rigs.tight | {"spring_l": 0.0})
    fault = Fault(kind, "V-1", 20.0, trailer="W-1")
    rig = faulty_vehicle(vehicle, [fault], 1.0), faulty_trailer(trailer, [fault], 1.0, vehicle)
    air = AirSystems(Parameters.of([rig]), np.full((4, 1), 800.0 + ATMOSPHERE_KPA), np.array([20.0]))
    act = {
        "application_kpa": 690.0 if kind == "leak_applied" else 0.0,
        "parked": kind != "leak_released",
        "fed": kind == "leak_trailer",
    }
    for _ in range(240):
        air.step(rigs.controls(1.0, **act))
    before = air.pressure_kpa[:, 0].copy()
    for _ in range(60):
        air.step(rigs.controls(1.0, **act))
    referred = -np.log(air.pressure_kpa[:, 0] / before) * (690.0 + ATMOSPHERE_KPA)
    for tank in range(4):
        if tank in TANKS_THAT_FALL[kind]:
            assert referred[tank] == pytest.approx(20.0, rel=0.1 if kind != "leak_applied" else 0.2)
        else:
            assert abs(referred[tank]) < 1.0


def test_every_kind_has_a_size_and_changes_only_its_unit(rigs: Any) -> None:
    assert set(SIZES) == set(FAULT_KINDS)
    vehicle, trailer = rigs.tractor(), Trailer("W-1", "test")
    for kind in FAULT_KINDS:
        fault = Fault(kind, "V-1", SIZES[kind][1], trailer="W-1")
        is_changed = faulty_vehicle(vehicle, [fault], 0.5, trailer) != vehicle
        is_changed |= faulty_trailer(trailer, [fault], 0.5, vehicle) != trailer
        assert is_changed is not kind.startswith("abs_")
        assert faulty_vehicle(replace(vehicle, name="V-2"), [fault], 0.5, trailer) == replace(vehicle, name="V-2")


def test_onset_and_repair() -> None:
    ramp = Fault("leak_primary", "V-1", 20.0, 2.0, "ramp", 4.0, repaired_day=10.0)
    assert [ramp.level(day) for day in (1.9, 2.0, 4.0, 6.0, 9.0, 10.0)] == [0.0, 0.0, 0.5, 1.0, 1.0, 0.0]
    now_and_then = Fault("leak_primary", "V-1", 20.0, onset="intermittent", seed=4)
    levels = [now_and_then.level(float(day)) for day in range(200)]
    assert set(levels) == {0.0, 1.0}
    assert 60 < sum(levels) < 140
    assert levels == [now_and_then.level(float(day)) for day in range(200)]


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="fault kind 'leak_roof' is not one of leak_supply"):
        Fault("leak_roof", "V-1", 1.0)  # type: ignore[arg-type]
