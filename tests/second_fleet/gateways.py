"""Draws how a unit's gateway reports: which columns, how often, how finely, and what goes wrong on the way."""

import numpy as np

from tests.second_fleet.kinds import DAY_S
from tests.second_fleet.vehicles import Gateway

MINIMUM = ["primary_kpa", "secondary_kpa", "engine_rpm", "speed_kph", "park_brake", "service_brake"]
MORE = ["supply_kpa", "trailer_kpa", "application_kpa", "low_air_warning", "ambient_c"]
_NEEDED = {  # without these the fault can't be seen at all
    "leak_supply": ["supply_kpa"],
    "supply_backflow": ["supply_kpa"],
    "low_air_warning_low": ["low_air_warning"],
    "low_air_warning_missing": ["low_air_warning"],
}
_SAMPLE_S = np.array([1, 2, 3, 4, 5, 7, 8, 10])
_SAMPLE_P = np.array([0.46, 0.18, 0.04, 0.04, 0.14, 0.03, 0.03, 0.08])


def draw_gateway(rng: np.random.Generator, *, kind: str, fault: str, case: str, days: int) -> Gateway:
    """Draw a gateway for a unit of a kind that has a fault ("" for none)."""
    step = 8 if rng.random() < 0.75 else 4
    reach = step if case == "offset" else step * 0.6
    offsets = rng.uniform(-reach, reach, 5)
    if case == "offset":
        offsets = np.where(rng.random(5) < 0.5, -step, step)
    parked = ("sleep", "linger", "all")[int(rng.choice(3, p=[0.3, 0.45, 0.25]))]
    sample_s = int(rng.choice(_SAMPLE_S, p=_SAMPLE_P))
    if fault.startswith("low_air") or fault == "protection_valve_low":
        sample_s = min(sample_s, 5)  # a pumped-down tank passes the threshold in seconds
    towing = kind == "tractor"
    silent_from = int(rng.integers(days // 5, max(days // 5 + 1, 3 * days // 5))) * DAY_S
    return Gateway(
        step_kpa=step,
        offsets=(float(offsets[0]), float(offsets[1]), float(offsets[2]), float(offsets[3]), float(offsets[4])),
        noise_kpa=step * float(rng.uniform(0.15, 0.45)),
        columns=_draw_columns(rng, kind=kind, fault=fault, case=case),
        sample_s=sample_s,
        block_s=int(rng.choice([60, 90, 120, 180, 240, 300])),
        uses_t_ms=bool(rng.random() < 0.2),
        has_null_rpm=bool(rng.random() < 0.4),
        parked=parked,
        linger_s=int(rng.choice([1200, 2400, 3600, 7200])),
        trailer_named=fault == "leak_trailer" or case == "borrows" or rng.random() < (0.8 if towing else 0.3),
        has_governor=bool(rng.random() < 0.12),
        splits_lamps=bool(rng.random() < 0.4),
        null_rate=0.0015 if rng.random() < 0.3 else 0.0,
        swap_s=int(rng.uniform(0.3, 0.8) * days * DAY_S) if rng.random() < 0.07 else None,
        silent_s=(silent_from, silent_from + int(rng.integers(2, 6)) * DAY_S) if case == "silent" else None,
    )


def _draw_columns(rng: np.random.Generator, *, kind: str, fault: str, case: str) -> list[str]:
    """Two thirds send the minimum; what a fault or case needs to be seen is added."""
    columns = list(MINIMUM)
    if rng.random() < 0.34:
        columns += [name for name in MORE if rng.random() < 0.8]
        columns += ["compressor_loaded"] if rng.random() < 0.2 else []
    wanted = list(_NEEDED.get(fault, []))
    if fault == "protection_valve_low" and kind == "tractor":
        wanted.append("trailer_kpa")
    if case in ("cold", "indoor"):
        wanted.append("ambient_c")
    columns += [name for name in wanted if name not in columns]
    if kind != "tractor":
        columns = [name for name in columns if name != "trailer_kpa"]
    return columns
