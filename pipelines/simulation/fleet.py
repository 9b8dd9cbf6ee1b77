"""Fleets drawn at random, for judging what is derived from their messages against what was put in."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from pipelines.simulation.duty import Duty
from pipelines.simulation.faults import FAULT_KINDS, SIZES, Fault, FaultKind, Onset
from pipelines.simulation.messages import Message
from pipelines.simulation.scenario import MINIMUM_COLUMNS, Gateway, Scenario, Unit
from pipelines.simulation.simulate import simulate
from pipelines.simulation.vehicle import Chambers, Kind, Trailer, Vehicle
from pipelines.simulation.weather import Climate

START = datetime(2031, 3, 3, tzinfo=UTC)  # a Monday
_STEP_OR_RAMP: tuple[Onset, ...] = ("step", "ramp")
_LEAKS = ("leak_supply", "leak_primary", "leak_secondary", "leak_trailer", "leak_applied", "leak_released")
# Columns without which a fault leaves no trace in the messages.
_NEEDS: dict[FaultKind, tuple[str, ...]] = {
    "leak_supply": ("supply_kpa",),
    "low_air_warning_low": ("low_air_warning",),
    "low_air_warning_missing": ("low_air_warning",),
    "supply_backflow": ("supply_kpa",),
    "protection_valve_low": ("trailer_kpa",),
}


@dataclass(frozen=True, slots=True)
class SimulatedFleet:
    """A fleet, what is wrong with it, and its messages; ``messages`` simulates anew at each call."""

    scenario: Scenario

    @property
    def labels(self) -> tuple[Fault, ...]:
        """The truth."""
        return self.scenario.faults

    def messages(self) -> Iterator[Message]:
        """Messages in order of arrival."""
        return simulate(self.scenario)


def simulate_fleet(
    seed: int,
    n_units: int,
    days: int,
    *,
    faulty_share: float = 0.4,
    kinds: tuple[FaultKind, ...] = FAULT_KINDS,
    extra_columns_share: float = 0.3,
    start: datetime = START,
) -> SimulatedFleet:
    """Draw a fleet and give it with its labels.

    Parameters
    ----------
    seed : int
        Equal arguments give equal fleets and messages.
    n_units, days : int
        Power units, each towing unit with a trailer of its own, and days.
    faulty_share : float
        Chance that a unit has a fault, drawn evenly from ``kinds``; none has two.
    kinds : tuple of str
        Faults to draw from.
    extra_columns_share : float
        Chance that a unit sends more than the minimum. One with a fault that the minimum can't show
        sends what that needs.
    start : datetime
        UTC midnight of the first day.
    """
    rng = np.random.default_rng([seed, n_units, days])
    units, trailers, faults = [], [], []
    for number in range(n_units):
        vehicle, duty, climate = _drawn(rng, f"V-{number:03d}", "random")
        trailer = None
        if vehicle.tows:
            trailer = Trailer(f"W-{number:03d}", "random", leak_mm2=0.0015 * float(rng.lognormal(0.0, 0.5)))
            trailers.append(trailer)
        columns = set(MINIMUM_COLUMNS)
        if rng.random() < extra_columns_share:
            columns |= {"supply_kpa", "trailer_kpa", "application_kpa", "ambient_c", "low_air_warning"}
        if rng.random() < faulty_share:
            fault = drawn_fault(rng, kinds, vehicle, trailer, days)
            columns |= set(_NEEDS.get(fault.kind, ()))
            faults.append(fault)
        gateway = Gateway(
            columns=tuple(sorted(columns)),
            step_kpa=float(rng.choice([8.0, 8.0, 8.0, 4.0])),
            noise_steps=float(rng.uniform(0.05, 0.3)),
            sleeps=bool(rng.random() < 0.3),  # noqa: PLR2004 - three in ten
            uses_offsets=bool(rng.random() < 0.2),  # noqa: PLR2004
            names_trailer=bool(rng.random() < 0.8),  # noqa: PLR2004
            sends_governor=bool(rng.random() < 0.2),  # noqa: PLR2004
            is_rpm_null_when_off=bool(rng.random() < 0.3),  # noqa: PLR2004
        )
        offsets = rng.uniform(-gateway.step_kpa, gateway.step_kpa, 4)
        gateway = replace(
            gateway, offsets_kpa=(float(offsets[0]), float(offsets[1]), float(offsets[2]), float(offsets[3]))
        )
        units.append(Unit(vehicle, duty, gateway, climate, (trailer.name,) * days if trailer else ()))
    return SimulatedFleet(Scenario(start, days, seed, tuple(units), tuple(trailers), tuple(faults)))


def varied(vehicle: Vehicle, rng: np.random.Generator) -> Vehicle:
    """Give one healthy vehicle of a build: no two leak, pump or settle alike."""

    def leak(mm2: float) -> float:
        return mm2 * float(rng.lognormal(-0.1, 0.5))

    cut_out = vehicle.rated_cut_out_kpa + float(rng.normal(0.0, 7.0))
    return replace(
        vehicle,
        cut_out_kpa=cut_out,
        cut_in_kpa=cut_out - float(rng.uniform(122.0, 152.0)),
        basic_efficiency=vehicle.basic_efficiency * float(rng.uniform(0.93, 1.05)),
        warning_kpa=float(rng.uniform(428.0, 470.0)),
        park_pop_kpa=float(rng.uniform(170.0, 270.0)),
        protection_kpa=float(rng.uniform(200.0, 295.0)),
        leak_supply_mm2=leak(vehicle.leak_supply_mm2),
        leak_primary_mm2=leak(vehicle.leak_primary_mm2),
        leak_secondary_mm2=leak(vehicle.leak_secondary_mm2),
        leak_released_mm2=leak(vehicle.leak_released_mm2),
        leak_applied_mm2=leak(vehicle.leak_applied_mm2),
        gas_settle_s=float(rng.uniform(25.0, 60.0)),
        wall_settle_s=float(rng.uniform(800.0, 1500.0)),
        idle_rpm=float(np.round(rng.uniform(600.0, 750.0) / 25.0) * 25.0),
    )


def drawn_fault(
    rng: np.random.Generator, kinds: tuple[FaultKind, ...], vehicle: Vehicle, trailer: Trailer | None, days: int
) -> Fault:
    """Draw a fault that the vehicle can have; its size is what a shop would mend, within a factor."""
    possible = [k for k in kinds if trailer is not None or k not in ("leak_trailer", "protection_valve_low")]
    if not possible:
        raise ValueError(f"none of the faults {kinds} can happen to unit {vehicle.name!r} without a trailer")
    kind = possible[int(rng.integers(len(possible)))]
    size = SIZES[kind][1]
    onset: Onset = "step"
    if kind in _LEAKS:
        size = round(size * float(rng.uniform(0.9, 1.6)), 1)
        onset = _STEP_OR_RAMP[int(rng.integers(2))]
    elif kind == "compressor_weak":
        size = round(float(rng.uniform(0.55, 0.75)), 2)
        onset = "ramp"
    circuits: dict[FaultKind, str] = {
        "leak_applied": str(rng.choice(["primary", "secondary"])),
        "supply_backflow": str(rng.choice(["primary", "secondary"])),
    }
    return Fault(
        kind,
        vehicle.name,
        size,
        began_day=round(float(rng.uniform(0.1, 0.4)) * days, 2),
        onset=onset,
        ramp_days=round(0.4 * days, 1),
        circuit=circuits.get(kind, kind.removeprefix("leak_") if kind in _LEAKS and kind != "leak_released" else ""),
        trailer=trailer.name if trailer is not None and kind == "leak_trailer" else "",
        seed=int(rng.integers(2**31)),
    )


def _drawn(rng: np.random.Generator, name: str, fleet: str) -> tuple[Vehicle, Duty, Climate]:
    kind: Kind = ("tractor", "tractor", "tractor", "truck", "bus")[int(rng.integers(5))]
    large = float(rng.choice([1.0, 1.0, 1.15, 1.6]))
    if kind == "tractor":
        rear, front, sizes, swept_cc = Chambers(4, 30), Chambers(2, 20), (30.0, 34.0, 34.0), 310.0
    elif kind == "truck":
        rear, front, sizes, swept_cc = Chambers(2, 30), Chambers(2, 24), (22.0, 28.0, 28.0), 240.0
    else:
        rear, front, sizes, swept_cc = Chambers(2, 30), Chambers(2, 24), (30.0, 32.0, 40.0), 330.0
    supply_l, primary_l, secondary_l = (round(litres * large) * 1.0 for litres in sizes)
    vehicle = Vehicle(
        name=name,
        fleet=fleet,
        kind=kind,
        axles=3 if kind == "tractor" else 2,
        supply_l=supply_l,
        primary_l=primary_l,
        secondary_l=secondary_l,
        rear=rear,
        front=front,
        spring_l=3.6 if kind == "tractor" else 1.8,
        tows=kind == "tractor",
        compressor_cc=round(swept_cc * large**0.8 * float(rng.uniform(0.95, 1.15))) * 1.0,
        governed_rpm=float(rng.choice([1900.0, 2000.0, 2100.0])),
        rated_cut_out_kpa=float(rng.choice([860.0, 880.0, 895.0, 930.0])),
    )
    is_city = kind != "tractor" or rng.random() < 0.25  # noqa: PLR2004 - a quarter of the tractors stay in town
    duty = Duty(
        key_on_h=float(rng.uniform(4.0, 8.0)),
        drive_h=float(rng.uniform(3.5, 8.0)),
        leg_min=float(rng.uniform(25.0, 50.0) if is_city else rng.uniform(60.0, 150.0)),
        stop_min=float(rng.uniform(8.0, 30.0)),
        key_off_stops=float(rng.uniform(0.2, 0.8)),
        cruise_kph=float(rng.uniform(35.0, 50.0) if is_city else rng.uniform(80.0, 92.0)),
        slow_every_s=float(rng.uniform(10.0, 30.0) if is_city else rng.uniform(70.0, 200.0)),
        stop_share=float(rng.uniform(0.3, 0.6) if is_city else rng.uniform(0.05, 0.2)),
        brake_kpa=float(rng.uniform(110.0, 210.0)),
        kneel_l=7.0 if kind == "bus" else 0.0,
        weekend_work=float(rng.uniform(0.0, 0.5)),
        test_share=float(rng.uniform(0.1, 0.6)),
        fed_overnight_share=float(rng.uniform(0.2, 0.9)),
    )
    climate = Climate(mean_c=float(rng.uniform(-15.0, 22.0)), swing_c=float(rng.uniform(3.0, 8.0)))
    return varied(vehicle, rng), duty, climate
