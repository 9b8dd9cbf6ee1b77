"""A sketch of a vehicle's axles from above: what ABS codes say of each wheel end, and which brake chamber is there."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import polars as pl

WheelState = Literal["active", "intermittent", "cleared", "none"]

_PART = re.compile(r"^axle (\d) (left|right)$")
_CHAMBER = re.compile(r"^(\d)([LR]):([\d.]+)(L?)$")
_USUAL_AXLES = {"tractor": 3, "truck": 2, "bus": 2, "trailer": 2}
"""Where the registry has no number of axles; common practice."""

_FIRST_Y, _APART, _GAP = 46, 40, 34
WIDTH = 220


@dataclass(frozen=True, slots=True)
class WheelEnd:
    """One end of an axle: place in the drawing, what codes say, and the chamber, "" where not registered."""

    name: str
    x: int
    y: int
    state: WheelState
    count: int
    chamber: str


@dataclass(frozen=True, slots=True)
class AxleSketch:
    """``elsewhere`` are codes that name no wheel end of this vehicle, with their state."""

    kind: str
    height: int
    axles_y: list[int]
    is_assumed: bool
    wheels: list[WheelEnd]
    elsewhere: list[tuple[str, WheelState]]


def axle_sketch(readings: pl.DataFrame, registered: Mapping[str, Any] | None) -> AxleSketch:
    """Lay out the axles of a unit.

    Parameters
    ----------
    readings : DataFrame
        Newest readings of the unit; those of the check `abs_fault` have ``part``, ``state`` and ``value``.
    registered : mapping, optional
        The registry's row: ``kind, axles, chambers``. Where it lacks the number of axles, that is assumed by kind, and
        there are never fewer than codes name.
    """
    faults = readings.filter(pl.col("check") == "abs_fault").select("part", "state", "value").rows()
    found: dict[tuple[int, str], tuple[WheelState, int]] = {}
    elsewhere: list[tuple[str, WheelState]] = []
    for part, state, value in faults:
        known: WheelState = state if state in ("active", "intermittent", "cleared") else "active"
        if place := _PART.match(part or ""):
            found[int(place[1]), place[2]] = known, int(value or 0)
        else:
            elsewhere.append((part or "no part named", known))
    kind = str(registered["kind"]) if registered else "tractor"
    given = registered["axles"] if registered else None
    n_axles = max(given or _USUAL_AXLES.get(kind, 2), *(axle for axle, _ in found), 1)
    chambers = _chambers(str(registered["chambers"] or "")) if registered else {}
    axles_y = [_FIRST_Y + (_GAP if k else 0) + k * _APART for k in range(n_axles)]
    if kind == "trailer":
        axles_y = [_FIRST_Y + 2 * _GAP + k * _APART for k in range(n_axles)]
    wheels = [
        WheelEnd(f"axle {k + 1} {side}", x, y, *found.get((k + 1, side), ("none", 0)), chambers.get((k + 1, side), ""))
        for k, y in enumerate(axles_y)
        for side, x in (("left", 62), ("right", WIDTH - 62))
    ]
    return AxleSketch(kind, axles_y[-1] + 34, axles_y, given is None, wheels, elsewhere)


def _chambers(text: str) -> dict[tuple[int, str], str]:
    """Read ``1L:20;2L:30L`` as chamber types by wheel end; positions written otherwise are left out."""
    sides = {"L": "left", "R": "right"}
    found = [_CHAMBER.match(part) for part in text.split(";")]
    return {(int(m[1]), sides[m[2]]): f"{m[3]}{' long' if m[4] else ''}" for m in found if m}
