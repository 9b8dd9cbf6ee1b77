"""What the brake controllers report on a day: key events, the lamp check, trouble codes."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipelines.simulation.faults import Fault
from pipelines.simulation.messages import Clock
from pipelines.simulation.run import Track

CHECK_S = 3.0  # lamps are on for a few seconds at key-on (common practice)
BRAKE_ADDRESS = 11  # J1939 source address of the brake controller
OPEN_CIRCUIT_FMI, ERRATIC_FMI = 5, 2
STUCK = 1.0
EPISODES_PER_DAY = 5.0


@dataclass(frozen=True, slots=True)
class Report:
    """One faults message before the gateway numbers it."""

    t_s: float
    body: dict[str, Any]


def reports(
    track: Track, faults: list[Fault], clock: Clock, counts: dict[int, int], rng: np.random.Generator
) -> list[Report]:
    """Give the day's reports in order; ``counts`` holds how often each code has come and is kept up to date."""
    if len(track.t_s) == 0:
        return []
    mine = [f for f in faults if f.unit == track.unit.vehicle.name and f.level(track.t_s[0] / 86_400.0) > 0.0]
    out: list[Report] = []
    edges = np.diff(track.is_key_on.astype(int), prepend=0)
    for at in np.flatnonzero(edges != 0):
        t = float(track.t_s[at])
        out += _key_on(track, t, mine, clock, counts) if edges[at] > 0 else [_lamps(t, clock, [("key", t, False)])]
    for fault in mine:
        if fault.kind == "abs_intermittent":
            out += _episodes(track, fault, clock, counts, rng)
    return sorted(out, key=lambda report: report.t_s)


def _key_on(track: Track, t: float, faults: list[Fault], clock: Clock, counts: dict[int, int]) -> list[Report]:
    active = [f for f in faults if f.kind == "abs_active"]
    for fault in active:
        counts[int(fault.size)] = min(counts.get(int(fault.size), 0) + 1, 126)
    lit_on, lit_off = [("key", t, True)], []
    for lamp in ("tractor_abs", "trailer_abs") if track.trailer else ("tractor_abs",):
        is_trailer = lamp == "trailer_abs"
        odd = [f for f in faults if f.kind == "abs_lamp" and (f.circuit == "trailer") == is_trailer]
        if odd and odd[0].size != STUCK:
            continue  # a dark lamp
        lit_on.append((lamp, t + 0.4, True))
        if not odd and not (active and not is_trailer):
            lit_off.append((lamp, t + 0.4 + CHECK_S, False))
    first = _lamps(t + 1.0, clock, lit_on, [_code(f, counts, OPEN_CIRCUIT_FMI) for f in active])
    return [first, _lamps(t + 1.0 + CHECK_S, clock, lit_off)] if lit_off else [first]


def _episodes(
    track: Track, fault: Fault, clock: Clock, counts: dict[int, int], rng: np.random.Generator
) -> list[Report]:
    """Trouble that comes while the wheels turn and goes by itself after some seconds to minutes."""
    moving = track.t_s[track.speed_kph > 15.0]  # noqa: PLR2004 - a wheel sensor says nothing at a crawl
    if len(moving) == 0:
        return []
    out, free_from = [], 0.0
    for start in np.sort(rng.choice(moving, rng.poisson(EPISODES_PER_DAY))):
        t = float(start)
        end = t + float(rng.lognormal(3.5, 0.8))
        if t < free_from:
            continue
        spn = int(fault.size)
        counts[spn] = min(counts.get(spn, 0) + 1, 126)
        out.append(_lamps(t, clock, [("tractor_abs", t, True)], [_code(fault, counts, ERRATIC_FMI)]))
        out.append(_lamps(end, clock, [("tractor_abs", end, False)], []))
        free_from = end + 60.0
    return out


def _code(fault: Fault, counts: dict[int, int], fmi: int) -> dict[str, int]:
    spn = int(fault.size)
    return {"spn": spn, "fmi": fmi, "count": counts[spn]}


def _lamps(
    t: float, clock: Clock, lamps: list[tuple[str, float, bool]], codes: list[dict[str, int]] | None = None
) -> Report:
    body: dict[str, Any] = {"t": clock.text(t), "source_address": BRAKE_ADDRESS}
    if codes is not None:
        body["codes"] = codes
    body["lamps"] = [{"lamp": lamp, "t": clock.text(at), "on": on} for lamp, at, on in lamps]
    return Report(t, body)
