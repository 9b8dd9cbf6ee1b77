"""Draws an invented fleet: vehicles, trailers, and who has which fault."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.second_fleet.gateways import draw_gateway
from tests.second_fleet.habits import draw_habits
from tests.second_fleet.kinds import DAY_S, KINDS, Fault, draw_fault
from tests.second_fleet.vehicles import CHAMBER_L, SPRING_L, STROKE_USED, Trailer, Vehicle

CASES = ("hard_braking", "cold", "oversize", "borrows", "offset", "drains", "silent", "indoor", "plain", "plain")
"""What makes a healthy unit hard to judge; dealt out in turn."""

_PLACES = {"tractor": ("saltmere", "wharf"), "truck": ("quarrel", "mill"), "bus": ("lanternway", "loop")}
_PREFIX = {"tractor": "SX", "truck": "QT", "bus": "LB"}
_LAYOUTS = {  # axles, chambers, litres of the primary's and the secondary's chambers, spring chambers
    "tractor": (3, "1L:20;1R:20;2L:30;2R:30;3L:30;3R:30", 4 * CHAMBER_L[30], 2 * CHAMBER_L[20], 4),
    "truck": (2, "1L:24;1R:24;2L:30;2R:30", 2 * CHAMBER_L[30], 2 * CHAMBER_L[24], 2),
    "bus": (2, "1L:24;1R:24;2L:30;2R:30", 2 * CHAMBER_L[30], 2 * CHAMBER_L[24], 2),
}
_RESERVOIR_RATIO = 12  # least tank volume in chamber volumes, FMVSS 121 S5.1.2.1
_TRAILER_REQUIRED_L = 8 * 4 * CHAMBER_L[30]  # S5.2.1.1
_CUT_IN_FLOOR_KPA = 697.0  # healthy governors cut in above 100 psi
MID_ETA = 0.62  # delivery over swept volume halfway between 85 and 100 psi, about


@dataclass(slots=True)
class Fleet:
    """Everything drawn before anything moves. ``towed[v][d]`` is the trailer of vehicle v on day d, None for none."""

    vehicles: list[Vehicle]
    trailers: list[Trailer]
    towed: list[list[int | None]]
    days: int

    def last_tower(self, trailer: int) -> int:
        """Give the vehicle that towed a faulty trailer last while the fault was there."""
        fault = self.trailers[trailer].fault
        first = 0 if fault is None else fault.began_s // DAY_S
        seen = [
            (day >= first, day, v)
            for v, by_day in enumerate(self.towed)
            for day, tr in enumerate(by_day)
            if tr == trailer and works(self.vehicles[v], day)
        ]
        return max(seen)[2]


def works(vehicle: Vehicle, day: int) -> bool:
    """Tell whether a vehicle is driven on a day; recordings begin on a Monday."""
    weekday = day % 7
    return weekday < 5 or (weekday == 5 and vehicle.habits.works_saturday)


def draw_fleet(rng: np.random.Generator, *, units: int, days: int, healthy: float, kinds: Sequence[str]) -> Fleet:
    """Draw a fleet of which a share of ``healthy`` units has no fault of its own."""
    if unknown := sorted(set(kinds) - set(KINDS)):
        raise ValueError(f"kinds must be among {', '.join(KINDS)}; got {', '.join(unknown)}")
    n_faulty = units - round(units * healthy) if kinds else 0
    plan = [kinds[k % len(kinds)] for k in rng.permutation(n_faulty)]
    cases = [CASES[k % len(CASES)] for k in range(units - n_faulty)]
    what: list[tuple[str, str]] = [(kind, "plain") for kind in plan] + [("", case) for case in cases]
    order = rng.permutation(units)
    vehicles = [_draw_vehicle(rng, number, *what[int(k)], days=days) for number, k in enumerate(order)]
    trailers = _draw_trailers(rng, vehicles)
    towed = _assign(rng, vehicles, trailers, days)
    for v, vehicle in enumerate(vehicles):
        if vehicle.fault is not None and vehicle.fault.kind == "leak_trailer":
            home = next(tr for tr in towed[v] if tr is not None)
            trailers[home].fault, vehicle.fault = vehicle.fault, None
            vehicle.case = "leaking_trailer"
    _lend(rng, vehicles, trailers, towed, days)
    return Fleet(vehicles, trailers, towed, days)


def _draw_leak(rng: np.random.Generator, most: float) -> float:
    """Draw a healthy leak, kPa/min: mostly a small part of ``most``."""
    return float(rng.beta(0.7, 4.0) * most)


def _draw_kind(rng: np.random.Generator, fault: str, case: str) -> str:
    if fault == "leak_trailer" or case == "borrows":
        return "tractor"
    if case == "hard_braking":
        return ("truck", "bus")[int(rng.integers(2))]
    return ("tractor", "tractor", "tractor", "truck", "bus")[int(rng.integers(5))]


def _draw_vehicle(rng: np.random.Generator, number: int, fault_kind: str, case: str, *, days: int) -> Vehicle:
    kind = _draw_kind(rng, fault_kind, case)
    axles, chambers, primary_ch, secondary_ch, springs = _LAYOUTS[kind]
    required = _RESERVOIR_RATIO * (primary_ch + secondary_ch)
    ratio = rng.uniform(1.02, 1.22)
    governed = int(rng.choice([1900, 2000, 2100, 2200]))
    build_up_s = rng.uniform(13.0, 18.5)
    swept = required * ratio * 103.4 / 101.3 / (MID_ETA * governed / 60 * build_up_s)
    compressor_cc = int(round(swept * 100) * 10)
    if case == "oversize":
        grown = rng.uniform(1.45, 1.75)
        ratio, build_up_s = ratio * grown, build_up_s * grown
    shares = rng.dirichlet([60.0, 90.0, 80.0])
    supply_l, primary_l, secondary_l = (float(np.round(required * ratio * share, 1)) for share in shares)
    rated = int(rng.choice([850, 860, 880, 895, 910, 920]))
    cut_out = rated + rng.uniform(-10, 10)
    fault = draw_fault(rng, fault_kind, is_towing=kind == "tractor", days=days) if fault_kind else None
    if fault is not None and fault.kind == "compressor_weak":  # drawn as seconds from 85 to 100 psi
        fault = replace(fault, size=round(1 - build_up_s / fault.size, 3))
    fleet, shop = _PLACES[kind]
    base = rng.uniform(2, 14) + np.cumsum(rng.normal(0, 1.2, days + 2))
    if case == "cold":
        base = base - 26.0
    return Vehicle(
        unit=f"{_PREFIX[kind]}-{401 + number}",
        fleet=fleet,
        kind=kind,
        home_shop=shop,
        axles=axles,
        chambers=chambers,
        supply_l=supply_l,
        primary_l=primary_l,
        secondary_l=secondary_l,
        required_l=round(required, 1),
        compressor_cc=compressor_cc,
        governed_rpm=governed,
        rated_cut_out_kpa=rated,
        cut_out_kpa=cut_out,
        differential_kpa=min(rng.uniform(138, 170), cut_out - _CUT_IN_FLOOR_KPA),
        build_up_s=build_up_s,
        idle_rpm=float(rng.uniform(600, 750)),
        leaks=(_draw_leak(rng, 2.0), _draw_leak(rng, 3.5), _draw_leak(rng, 3.5)),
        crack_kpa=(float(rng.uniform(1, 6)), float(rng.uniform(1, 6))),
        primary_chambers_l=primary_ch * STROKE_USED + 0.4,
        secondary_chambers_l=secondary_ch * STROKE_USED + 0.6,
        springs_l=springs * SPRING_L,
        heat_k_per_kpa=float(rng.uniform(0.004, 0.010)),
        heat_tau_s=float(rng.uniform(25, 120)),
        body_tau_s=float(rng.uniform(1200, 3000)),
        running_warmth_k=float(rng.uniform(3, 9)),
        purge_kpa_l=float(rng.uniform(150, 350)) if rng.random() < 0.2 else 0.0,
        warning_kpa=float(rng.uniform(418, 478)),
        park_pop_kpa=float(rng.uniform(155, 280)),
        trailer_pop_kpa=float(rng.uniform(160, 300)),
        base_c=tuple(float(c) for c in base),
        swing_k=float(rng.uniform(3, 8)),
        case=case,
        gateway=draw_gateway(rng, kind=kind, fault=fault_kind, case=case, days=days),
        habits=draw_habits(rng, kind=kind, fault=fault_kind, case=case, governed_rpm=governed),
        fault=fault,
    )


def _draw_trailers(rng: np.random.Generator, vehicles: list[Vehicle]) -> list[Trailer]:
    """One trailer for each tractor, and some more in the yard."""
    tractors = [vehicle for vehicle in vehicles if vehicle.kind == "tractor"]
    n = len(tractors) + (len(tractors) + 3) // 4
    fleet = _PLACES["tractor"][0]
    return [
        Trailer(f"TR-{61 + k}", fleet, float(np.round(rng.uniform(78, 112), 1)), _draw_leak(rng, 2.0)) for k in range(n)
    ]


def _assign(
    rng: np.random.Generator, vehicles: list[Vehicle], trailers: list[Trailer], days: int
) -> list[list[int | None]]:
    """Tell who tows what: mostly each its own, sometimes a spare one, sometimes none."""
    towed: list[list[int | None]] = [[None] * days for _ in vehicles]
    tractors = [v for v, vehicle in enumerate(vehicles) if vehicle.kind == "tractor"]
    spares = list(range(len(tractors), len(trailers)))
    for day in range(days):
        free = [int(k) for k in rng.permutation(spares)] if spares else []
        for home, v in enumerate(tractors):
            luck = rng.random()
            towed[v][day] = home
            if 0.85 <= luck < 0.93 and day > 0:
                towed[v][day] = None
            elif luck >= 0.93 and free and day > 0:
                towed[v][day] = free.pop()
    return towed


def _lend(
    rng: np.random.Generator,
    vehicles: list[Vehicle],
    trailers: list[Trailer],
    towed: list[list[int | None]],
    days: int,
) -> None:
    """Let healthy tractors borrow leaking trailers for some days, and the owners do without."""
    leaking = [tr for tr, trailer in enumerate(trailers) if trailer.fault is not None]
    borrowers = [v for v, vehicle in enumerate(vehicles) if vehicle.case == "borrows"]
    for trailer, borrower in zip(leaking, borrowers, strict=False):
        fault = trailers[trailer].fault
        assert fault is not None
        ripe = (fault.began_s + fault.ramp_s // 2) // DAY_S + 2
        first = min(days - 1, ripe + int(rng.integers(0, 3)))
        last = min(days, first + int(rng.integers(4, 9)))
        for day in range(first, last):
            for by_day in towed:
                if by_day[day] == trailer:
                    by_day[day] = None
            towed[borrower][day] = trailer


def registry_rows(fleet: Fleet) -> list[list[object]]:
    """Give the rows of units.csv in the contract's order of columns."""
    rows: list[list[object]] = [
        [
            v.unit,
            v.fleet,
            v.kind,
            v.axles,
            int(v.kind == "tractor"),
            "us",
            v.home_shop,
            v.supply_l,
            v.primary_l,
            v.secondary_l,
            v.required_l,
            v.compressor_cc,
            v.governed_rpm,
            v.rated_cut_out_kpa,
            v.chambers,
        ]
        for v in fleet.vehicles
    ]
    shop, chambers = _PLACES["tractor"][1], "1L:30;1R:30;2L:30;2R:30"
    required = round(_TRAILER_REQUIRED_L, 1)
    rows += [
        [t.unit, t.fleet, "trailer", 2, 0, "us", shop, "", t.tank_l, "", required, "", "", "", chambers]
        for t in fleet.trailers
    ]
    return rows


def label_rows(fleet: Fleet) -> list[tuple[str, str, Fault]]:
    """Give unit, trailer and fault of every label, in the order of the fleet."""
    rows = [(v.unit, "", v.fault) for v in fleet.vehicles if v.fault is not None]
    rows += [
        (fleet.vehicles[fleet.last_tower(k)].unit, t.unit, t.fault)
        for k, t in enumerate(fleet.trailers)
        if t.fault is not None
    ]
    return rows
