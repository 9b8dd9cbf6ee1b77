"""Invented shops, drawn from a seed: cases of varied shape for the plan."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from airwatch.plan.frames import APPOINTMENTS, JOBS, PLACES, UNIT_TIMES
from airwatch.plan.problem import Given
from airwatch.plan.shop import DAYS, Bay, Person, Shop, slots

BEGIN = datetime.fromisoformat("2031-03-03 06:00")  # a Monday
FLEET = "north"


@dataclass(frozen=True)
class Shape:
    """What a case is like; ``scarce`` skills are those of one person only."""

    n_jobs: int = 200
    n_bays: int = 6
    days: int = 14
    n_people: int = 6
    is_scarce: bool = False
    has_campaign: bool = False
    n_appointments: int = 0
    share_away: float = 0.2
    share_beyond: float = 0.25
    jobs_a_unit: float = 1.5
    share_parts: float = 0.3


def shop(n_bays: int, n_people: int, *, is_scarce: bool) -> Shop:
    """Give a shop with a pit in two of three bays; a third of its people read ABS codes (one, where that is scarce)."""
    weekday = ("07:00-12:00", "12:30-17:00")
    bays = tuple(Bay(f"bay {k + 1}", ("pit",) if k % 3 < 2 else ()) for k in range(n_bays))
    people = tuple(
        Person(
            f"person {k + 1}",
            tuple(
                ["air"]
                + (["abs"] if (k == 0 if is_scarce else k % 3 == 0) else [])
                + (["compressor"] if (k == 1 if is_scarce else k % 2 == 1) else [])
            ),
        )
        for k in range(n_people)
    )
    hours = dict.fromkeys(DAYS[:5], weekday) | {"saturday": ("08:00-12:00",)}
    return Shop("ridge", "UTC", hours, bays, people)  # type: ignore[arg-type]


def draw(seed: int, shape: Shape) -> Given:
    """Draw one case."""
    rng = np.random.default_rng(seed)
    place = shop(shape.n_bays, shape.n_people, is_scarce=shape.is_scarce)
    n_units = max(1, round(shape.n_jobs / shape.jobs_a_unit))
    units = [f"K-{k + 1}" for k in range(n_units)]
    kinds = [("leak_primary", 1.5, ["air"], []), ("leak_trailer", 1.0, ["air"], []), ("abs_active", 1.5, ["abs"], []),
             ("compressor_weak", 5.0, ["air", "compressor"], ["pit"]), ("protection_valve_low", 2.0, ["air"], ["pit"]),
             ("governor_cut_out_high", 1.0, ["air"], [])]  # fmt: skip
    rows = []
    due = datetime.fromisoformat("2031-03-12") if shape.has_campaign else None
    for k in range(shape.n_jobs):
        fault, work_h, skills, equipment = kinds[int(rng.choice(len(kinds), p=[0.3, 0.2, 0.2, 0.1, 0.1, 0.1]))]
        is_beyond = bool(rng.random() < shape.share_beyond)
        has_trend = not is_beyond and bool(rng.random() < 0.7)
        likely = float(rng.uniform(1, 21))
        low, high = float(rng.uniform(0.5, 0.6 * likely + 0.5)), float(rng.uniform(1, 8))
        parts = float(rng.uniform(1, 8)) if rng.random() < shape.share_parts else None
        severity = str(rng.choice(["low", "medium", "high"], p=[0.1, 0.3, 0.6] if is_beyond else [0.4, 0.4, 0.2]))
        unit = units[k] if k < n_units else str(rng.choice(units))
        rows.append(
            {
                "job": f"j{k:03d}", "fleet": FLEET, "vehicle": unit, "fault": fault, "severity": severity,
                "opened": BEGIN - timedelta(days=float(rng.uniform(0, 10))), "updated": BEGIN - timedelta(hours=6),
                "is_beyond": is_beyond,
                "crossing_early": BEGIN + timedelta(days=likely - low) if has_trend else None,
                "crossing_likely": BEGIN + timedelta(days=likely) if has_trend else None,
                "crossing_late": BEGIN + timedelta(days=likely + high) if has_trend and rng.random() < 0.9 else None,
                "work_h": work_h * float(rng.choice([0.5, 1.0, 1.0, 1.5])), "skills": skills, "equipment": equipment,
                "parts_here": None if parts is None else BEGIN + timedelta(days=parts),
                "parts": None if parts is None else "valve", "due": due, "due_for": "spring week" if due else None,
                "summary": fault,
            }
        )  # fmt: skip
    times = []
    for unit in units:
        if rng.random() < shape.share_away:
            away = BEGIN + timedelta(days=float(rng.uniform(0, 8)))
            times.append((FLEET, unit, away, away + timedelta(days=float(rng.uniform(1, 5))), "away"))
        home = BEGIN + timedelta(days=int(rng.integers(0, shape.days)))
        times.append((FLEET, unit, home, home + timedelta(days=2), "home"))
    appointments = []
    for k in range(shape.n_appointments):
        on, hour = int(rng.choice([0, 1, 2, 3, 4, 7, 8, 9])), int(rng.choice([7, 9, 13]))
        start = BEGIN.replace(hour=hour) + timedelta(days=on)
        vehicle = units[k % n_units] if k % 2 else None
        bay = f"bay {int(rng.integers(shape.n_bays)) + 1}"
        appointments.append((f"a{k}", bay, start, start + timedelta(hours=3), FLEET, vehicle, "yearly service"))
    return Given(
        jobs=pl.DataFrame(rows, schema=JOBS), shop=place, slots=slots(place, BEGIN, shape.days), begin=BEGIN,
        unit_times=pl.DataFrame(times, schema=UNIT_TIMES, orient="row"),
        appointments=pl.DataFrame(appointments, schema=APPOINTMENTS, orient="row"),
        pins=pl.DataFrame(schema=PLACES), before=pl.DataFrame(schema=PLACES),
    )  # fmt: skip
