"""What a driver does, as rows of a table: each row lasts for a time or until the air does something.

A whole recording of one unit is such a table. Rows are read by the simulation for all units at once, so that driving,
waiting for air and pumping it away cost no Python per second.
"""

from enum import IntEnum, auto

import numpy as np

from tests.second_fleet.kinds import Floats


class F(IntEnum):
    """Columns of a row."""

    DURATION = 0  # s
    UNTIL = auto()  # s since the recording's start, 0 for none; takes the place of the duration
    KEY = auto()
    ENGINE = auto()
    RPM_FROM = auto()
    RPM_TO = auto()
    SPEED_FROM = auto()  # km/h
    SPEED_TO = auto()
    PARK = auto()  # parking brake asked for
    OPEN = auto()  # trailer supply valve pushed in
    PEDAL = auto()  # kPa asked for
    PUMP = auto()  # 1: the pedal goes up and down
    WAIT = auto()  # see `Wait`
    LEVEL = auto()  # kPa, for some of them
    DRAW = auto()  # kPa L that air suspension or doors take from the supply tank at the row's start
    DRAIN = auto()  # 1: supply tank's drain is open, 2: all three
    STEP = auto()  # s, of the simulation
    REPORT = auto()  # 1: samples on the gateway's own grid, 2: one each step
    TRAILER = auto()  # number of the trailer, -1 for none
    COUPLED = auto()  # kPa in the trailer when it has just been coupled
    INDOOR = auto()  # K that the place is warmer than outside


class Wait(IntEnum):
    """What ends a row before its time."""

    NOTHING = 0
    RISEN = auto()  # the lower service tank is at LEVEL or above
    WARNED = auto()  # the warning is on, or the lower service tank at LEVEL or below
    CUT_OUT = auto()  # the governor has cut out
    POPPED = auto()  # every valve that is pushed in has closed, or the higher service tank is at LEVEL or below


def row(**values: float) -> Floats:
    """Write one row; names are those of `F` in lower case. Unless said otherwise the key is on and it is parked."""
    out = np.zeros((1, len(F)))
    out[0, [F.KEY, F.PARK, F.STEP, F.REPORT]] = 1.0
    for name, value in values.items():
        out[0, F[name.upper()]] = value
    return out


def idle(seconds: float, rpm: float, **values: float) -> Floats:
    """Write a row in which the engine turns evenly."""
    return row(duration=seconds, engine=1, rpm_from=rpm, rpm_to=rpm, **values)


def part(**values: Floats | float) -> dict[str, Floats | float]:
    """Write one step of a pattern; names are those of `F` in lower case."""
    return values


def moving(cycles: int, pattern: list[dict[str, Floats | float]]) -> Floats:
    """Write rows of driving: ``pattern`` over and over, each value a number or one for each cycle."""
    out = np.zeros((cycles, len(pattern), len(F)))
    out[:, :, [F.KEY, F.ENGINE, F.STEP, F.REPORT, F.OPEN]] = 1.0
    for k, step in enumerate(pattern):
        for name, value in step.items():
            out[:, k, F[name.upper()]] = value
    out[:, :, F.DURATION] = np.maximum(1.0, np.round(out[:, :, F.DURATION]))
    return out.reshape(cycles * len(pattern), len(F))
