"""Ready-made units, and one small fleet for all tests that look at messages."""

from dataclasses import replace

import numpy as np
import pytest

from pipelines.simulation import Chambers, Message, SimulatedFleet, Trailer, Vehicle, simulate_fleet
from pipelines.simulation.parameters import PRIMARY, SUPPLY, Controls, Parameters
from pipelines.simulation.physics import ATMOSPHERE_KPA, Floats
from pipelines.simulation.system import AirSystems

TIGHT = {
    "leak_supply_mm2": 0.0,
    "leak_primary_mm2": 0.0,
    "leak_secondary_mm2": 0.0,
    "leak_released_mm2": 0.0,
    "leak_applied_mm2": 0.0,
}


def _tractor(**changes: float) -> Vehicle:
    built = Vehicle(
        name="V-1",
        fleet="test",
        kind="tractor",
        axles=3,
        supply_l=30.0,
        primary_l=34.0,
        secondary_l=34.0,
        rear=Chambers(4, 30),
        front=Chambers(2, 20),
        tows=True,
    )
    return replace(built, **changes)  # type: ignore[arg-type]


def _system(
    vehicle: Vehicle, gauge_kpa: float, *, ambient_c: float = 20.0, trailer: Trailer | None = None
) -> AirSystems:
    pressures = np.full((4, 1), gauge_kpa + ATMOSPHERE_KPA)
    return AirSystems(Parameters.of([(vehicle, trailer)]), pressures, np.array([ambient_c]))


def _controls(
    dt_s: float,
    *,
    rpm: float = 0.0,
    application_kpa: float = 0.0,
    parked: bool = True,
    fed: bool = False,
    ambient_c: float = 20.0,
    accessory_l_per_min: float = 0.0,
    drain_mm2: float = 0.0,
) -> Controls:
    def one(value: float) -> Floats:
        return np.array([float(value)])

    return Controls(
        dt_s=one(dt_s),
        engine_rpm=one(rpm),
        application_kpa=one(application_kpa),
        is_parked=np.array([parked]),
        is_trailer_fed=np.array([fed]),
        accessory_l_per_min=one(accessory_l_per_min),
        drain_mm2=one(drain_mm2),
        ambient_c=one(ambient_c),
    )


def _lone_tank(volume_l: float, gauge_kpa: float, *, area_mm2: float = 0.0, gas_settle_s: float = 40.0) -> AirSystems:
    """Give a system whose secondary tank has a hole and nothing else to do; its wall is held at 20 C."""
    vehicle = _tractor(
        **TIGHT
        | {
            "secondary_l": volume_l,
            "leak_secondary_mm2": area_mm2,
            "gas_settle_s": gas_settle_s,
            "wall_settle_s": 1e-6,
            "service_warm_k": 0.0,
        }
    )
    air = _system(vehicle, gauge_kpa)
    air.pressure_kpa[[SUPPLY, PRIMARY]] = ATMOSPHERE_KPA
    air.amount[[SUPPLY, PRIMARY]] = (ATMOSPHERE_KPA * air.parameters.volume_l / air.wall_k)[[SUPPLY, PRIMARY]]
    return air


class Rigs:
    """Makes units, their air systems and what is done to them in a step."""

    tight = TIGHT
    tractor = staticmethod(_tractor)
    system = staticmethod(_system)
    controls = staticmethod(_controls)
    lone_tank = staticmethod(_lone_tank)


@pytest.fixture(scope="session")
def rigs() -> Rigs:
    return Rigs()


@pytest.fixture(scope="session")
def fleet() -> SimulatedFleet:
    return simulate_fleet(11, 6, 1, faulty_share=0.5)


@pytest.fixture(scope="session")
def messages(fleet: SimulatedFleet) -> list[Message]:
    return list(fleet.messages())
