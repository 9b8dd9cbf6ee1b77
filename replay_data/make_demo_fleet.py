"""Make the demo recording: an invented fleet over fourteen days, simulated.

Run from the repository's root: ``python replay_data/make_demo_fleet.py [-o FOLDER]``. Writes
``demo_fleet.ndjson.zst``, ``units.csv`` and ``labels.csv``; one version of the simulator
gives the same bytes each time.
"""

import argparse
import heapq
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pipelines.simulation.duty import Duty
from pipelines.simulation.faults import Fault
from pipelines.simulation.fleet import varied
from pipelines.simulation.messages import Clock, Message
from pipelines.simulation.recording import labels_csv, registry_csv, write_recording
from pipelines.simulation.scenario import MINIMUM_COLUMNS, Gateway, Scenario, Unit
from pipelines.simulation.simulate import simulate
from pipelines.simulation.vehicle import Chambers, Trailer, Vehicle
from pipelines.simulation.weather import Climate

SEED = 20310203
START = datetime(2031, 2, 3, tzinfo=UTC)  # a Monday
DAYS = 14

PLAINS = Climate(mean_c=6.0, swing_c=5.0)
COLD = Climate(mean_c=-13.0, swing_c=6.0, weather_c=4.0)
COAST = Climate(mean_c=12.0, swing_c=4.0, weather_c=2.0)

HAUL = Duty(key_on_h=5.5, drive_h=6.0, slow_every_s=110.0, test_share=0.55, fed_overnight_share=0.6)
CITY = Duty(
    key_on_h=6.5,
    drive_h=4.5,
    leg_min=30.0,
    stop_min=14.0,
    key_off_stops=0.6,
    cruise_kph=45.0,
    slow_every_s=24.0,
    stop_share=0.45,
    brake_kpa=150.0,
    test_share=0.4,
    weekend_work=0.2,
)
BUS = Duty(
    key_on_h=4.8,
    drive_h=7.5,
    leg_min=50.0,
    stop_min=8.0,
    key_off_stops=0.3,
    cruise_kph=38.0,
    slow_every_s=20.0,
    stop_share=0.6,
    brake_kpa=130.0,
    hold_s=11.0,
    kneel_l=7.0,
    test_share=0.3,
    weekend_work=0.5,
)
FULL = ("supply_kpa", *MINIMUM_COLUMNS[:2], "trailer_kpa", "application_kpa", *MINIMUM_COLUMNS[2:4], "ambient_c")
FULL_COLUMNS = (*FULL, *MINIMUM_COLUMNS[4:], "low_air_warning")
WITH_SUPPLY = ("supply_kpa", *MINIMUM_COLUMNS)
WITH_WARNING = (*MINIMUM_COLUMNS, "low_air_warning")


def tractor(name: str) -> Vehicle:
    """Give a three-axle tractor of the fleet's usual build."""
    return Vehicle(
        name=name,
        fleet="north",
        kind="tractor",
        axles=3,
        supply_l=30.0,
        primary_l=34.0,
        secondary_l=34.0,
        rear=Chambers(4, 30),
        front=Chambers(2, 20),
        tows=True,
    )


def truck(name: str) -> Vehicle:
    """Give a two-axle city truck."""
    return Vehicle(
        name=name,
        fleet="harbor",
        kind="truck",
        axles=2,
        supply_l=22.0,
        primary_l=28.0,
        secondary_l=28.0,
        rear=Chambers(2, 30),
        front=Chambers(2, 24),
        spring_l=1.8,
        compressor_cc=240.0,
        governed_rpm=2200.0,
        rated_cut_out_kpa=880.0,
    )


def bus(name: str) -> Vehicle:
    """Give a two-axle city bus with kneeling air suspension."""
    return Vehicle(
        name=name,
        fleet="harbor",
        kind="bus",
        axles=2,
        supply_l=30.0,
        primary_l=32.0,
        secondary_l=40.0,
        rear=Chambers(2, 30),
        front=Chambers(2, 24),
        spring_l=1.8,
        compressor_cc=400.0,
        governed_rpm=2100.0,
        rated_cut_out_kpa=870.0,
    )


def hauling(vehicle: Vehicle, trailers: tuple[str | None, ...], gateway: Gateway, **other: object) -> Unit:
    """Give one unit of the fleet `north`."""
    unit = Unit(vehicle, HAUL, gateway, PLAINS, trailers, home_shop="ridge")
    return replace(unit, **other)  # type: ignore[arg-type]


def units() -> tuple[Unit, ...]:
    """Give the fourteen power units, each with the small differences that no two units lack."""
    rng = np.random.default_rng([SEED, 0])
    return tuple(replace(unit, vehicle=varied(unit.vehicle, rng)) for unit in as_built())


def as_built() -> tuple[Unit, ...]:
    """Give the power units as their makers meant them."""
    k = tractor
    r70 = ("R-70",) * DAYS
    r77 = ("R-77",) * 9 + ("R-78",) + ("R-77",) * (DAYS - 10)
    big = replace(k("K-206"), supply_l=42.0, primary_l=62.0, secondary_l=62.0, compressor_cc=430.0)
    return (
        hauling(k("K-201"), r70, Gateway(dead_zones=((2.75, 1.6),))),
        hauling(k("K-202"), ("R-71",) * DAYS, replace(Gateway(), columns=WITH_WARNING)),
        hauling(k("K-203"), ("R-72",) * 6 + (None,) * 2 + ("R-72",) * 6, Gateway(dead_zones=((8.7, 1.0),))),
        hauling(k("K-204"), ("R-73",) * DAYS, Gateway(sends_governor=True, fraction_s=0.25)),
        hauling(k("K-205"), ("R-74",) * DAYS, Gateway(names_trailer=False, uses_offsets=True)),
        hauling(big, ("R-75",) * DAYS, Gateway(columns=FULL_COLUMNS, step_kpa=4.0)),
        hauling(
            k("K-207"),
            r77,
            Gateway(columns=(*MINIMUM_COLUMNS[:2], "trailer_kpa", *MINIMUM_COLUMNS[2:]), swap_day=7.0),
            duty=replace(HAUL, fed_overnight_share=0.9),
        ),
        hauling(k("K-208"), (), Gateway(columns=WITH_SUPPLY, sends_governor=True), duty=replace(HAUL, drain_share=0.4)),
        hauling(
            k("K-209"),
            ("R-76",) * DAYS,
            Gateway(offsets_kpa=(0.0, -7.0, 6.0, 0.0), sleeps=True, is_rpm_null_when_off=True),
            climate=COLD,
            home_shop="pass",
        ),
        hauling(k("K-210"), ("R-79",) * 4 + ("R-78",) * 3 + ("R-79",) * (DAYS - 7), Gateway(sleeps=True)),
        Unit(bus("B-31"), replace(BUS, slow_every_s=13.0, hold_s=8.0), Gateway(step_kpa=4.0), COAST, home_shop="quay"),
        Unit(bus("B-32"), BUS, Gateway(uses_offsets=True, sleeps=True), COAST, home_shop="quay"),
        Unit(
            truck("T-11"),
            replace(CITY, slow_every_s=10.0, brake_kpa=210.0, stop_share=0.5),
            Gateway(columns=(*WITH_SUPPLY, "compressor_loaded"), offsets_kpa=(4.0, 5.0, -4.0, 0.0)),
            COAST,
            home_shop="quay",
        ),
        Unit(truck("T-12"), CITY, Gateway(columns=WITH_WARNING, fraction_s=0.5), COAST, home_shop="quay"),
    )


FAULTS = (
    Fault("leak_primary", "K-202", 27.0, 2.0, "ramp", 8.0, circuit="primary"),
    Fault("compressor_weak", "K-203", 0.72, 1.0, "ramp", 7.0, circuit="supply"),
    Fault("governor_cut_out_low", "K-204", 745.0, 4.4, circuit="supply"),
    Fault("abs_active", "K-205", 791.0, 3.4),
    Fault("leak_trailer", "K-207", 28.0, 3.0, "ramp", 7.0, circuit="trailer", trailer="R-77"),
    Fault("supply_backflow", "K-208", 120.0, 4.4, circuit="primary"),
    Fault(
        "leak_primary",
        "K-210",
        22.0,
        0.0,
        circuit="primary",
        repaired_day=7.45,
        done="fitting at the primary tank's drain cock renewed and soap tested",
    ),
    Fault("leak_secondary", "B-32", 21.0, 4.4, circuit="secondary"),
)


def scenario() -> Scenario:
    """Give the demo's scenario."""
    trailers = tuple(Trailer(f"R-{number}", "north") for number in range(70, 80))
    return Scenario(START, DAYS, SEED, units(), trailers, FAULTS, shops={t.name: "ridge" for t in trailers})


def broken() -> list[Message]:
    """Give three messages that break the contract, as worn gateways send them."""
    day = 86_400.0
    uneven = {"v": 1, "unit": "K-201", "seq": 90001, "t0": "2031-02-05T15:00:00Z", "dt_ms": 1000}
    return [
        Message(
            2 * day + 54_001.5, "air/v1/north/K-201/pressure", uneven | {"primary_kpa": [824, 816], "speed_kph": [0]}
        ),
        Message(6 * day + 3_600.25, "air/v1/harbor/T-12/pressure", b'{"v":1,"unit":"T-12","seq":771,"t0":"2031-02-0'),
        Message(9 * day + 50_000.0, "air/v1/north/K-205/faults", {"v": 1, "unit": "K-205", "seq": 70, "codes": []}),
    ]


def delivered() -> Iterator[Message]:
    """Give all messages in order of arrival."""
    return heapq.merge(simulate(scenario()), broken(), key=lambda message: message.received_s)


def main() -> None:
    """Write the three files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-o", "--output", type=Path, default=Path(__file__).parent, help="folder to write to")
    folder: Path = parser.parse_args().output
    folder.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    recording = folder / "demo_fleet.ndjson.zst"
    written = write_recording(recording, delivered(), Clock(START))
    (folder / "units.csv").write_text(registry_csv(scenario()))
    (folder / "labels.csv").write_text(labels_csv(scenario()))
    size_mb = recording.stat().st_size / 1e6
    took_s = time.monotonic() - began
    print(f"{recording}: {written.messages} messages, {written.samples} samples, {size_mb:.1f} MB, {took_s:.0f} s")


if __name__ == "__main__":
    main()
