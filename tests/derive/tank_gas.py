"""Many tanks at once that are pumped up, stand, and lose air to springs, brakes and leaks: gas, wall and air outside.

Of `airwatch` and of its simulator nothing is used: air is an ideal gas in a tank whose wall takes heat up. Scipy's
solver with the properties of real air says how well that does (`test_tank_gas.py`).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

GAMMA = 1.4  # ratio of specific heats of air
STEP_S = 0.5


@dataclass(frozen=True, slots=True)
class Tanks:
    """What each tank is and what is done to it, arrays (tanks,); times are multiples of `STEP_S`.

    Attributes
    ----------
    start_kpa, outside_k, wall_k : array
        Absolute pressure at time 0; the air outside, and how much warmer gas and wall are then.
    outside_k_per_s : array
        By how much that air warms.
    still_s, stirred_s, wall_s : array
        Time constants: gas to wall at rest and while air is pumped in, wall to what is around it.
    wall_per_gas : array
        Heat capacity of the wall over that of the gas at the start.
    pump_s, pumped, inlet_k : array
        For how long air is pumped in, by what share of what was there, and how much warmer than outside it comes.
    release_s, released, pedal_s, applied : array
        When springs and brakes take their air, and which share of what is there; within `DRAW_S`.
    leaks_per_s : array (3, tanks)
        Share that leaks in a second: all the time, from ``release_s`` on besides, and from ``pedal_s`` on besides.
    """

    start_kpa: Floats
    outside_k: Floats
    wall_k: Floats
    outside_k_per_s: Floats
    still_s: Floats
    stirred_s: Floats
    wall_s: Floats
    wall_per_gas: Floats
    pump_s: Floats
    pumped: Floats
    inlet_k: Floats
    release_s: Floats
    released: Floats
    pedal_s: Floats
    applied: Floats
    leaks_per_s: Floats


DRAW_S = 1.5


def flows(tanks: Tanks, t_s: float) -> tuple[Floats, Floats]:
    """Give what comes in and goes out in the step that begins at ``t_s``, 1/s of the first air and of what is left."""
    into = np.where(t_s < tanks.pump_s, tanks.pumped / tanks.pump_s, 0.0)
    out = tanks.leaks_per_s[0].copy()
    for begins_s, leak, taken in (
        (tanks.release_s, tanks.leaks_per_s[1], tanks.released),
        (tanks.pedal_s, tanks.leaks_per_s[2], tanks.applied),
    ):
        out += np.where(t_s >= begins_s, leak, 0.0)
        out -= np.where((t_s >= begins_s) & (t_s < begins_s + DRAW_S), np.log1p(-taken) / DRAW_S, 0.0)
    return into, out


def solve(tanks: Tanks, seconds: float) -> tuple[Floats, Floats, Floats]:
    """Solve mass and energy of each tank by the classical Runge-Kutta method.

    Returns
    -------
    tuple of array
        Times (n,), s; absolute pressure, kPa, and amount of air over the first one, (n, tanks).
    """
    t = np.arange(0.0, seconds + STEP_S, STEP_S)
    begin_k = tanks.outside_k + tanks.wall_k
    now = np.stack([np.ones_like(begin_k), begin_k, begin_k])
    kpa, amount = np.empty((2, t.size, begin_k.size))
    for i, t_s in enumerate(t):
        kpa[i], amount[i] = tanks.start_kpa * now[0] * now[1] / begin_k, now[0]
        flow, h = flows(tanks, t_s), STEP_S
        first = _change(tanks, t_s, now, *flow)
        second = _change(tanks, t_s + h / 2, now + h / 2 * first, *flow)
        third = _change(tanks, t_s + h / 2, now + h / 2 * second, *flow)
        fourth = _change(tanks, t_s + h, now + h * third, *flow)
        now = now + h / 6 * (first + 2 * second + 2 * third + fourth)
    return t, kpa, amount


def _change(tanks: Tanks, t_s: float, now: Floats, into: Floats, out: Floats) -> Floats:
    """Give the change of amount, and of temperature of gas and wall, 1/s and K/s.

    Air leaves with its enthalpy, which leaves what stays colder, and comes in with that of the inlet:
    m cv T' = in cp T_in - out cp T - (in - out) cv T - heat to the wall (first law for a control volume, ideal gas).
    """
    amount, gas_k, wall_k = now
    outside_k = tanks.outside_k + tanks.outside_k_per_s * t_s
    to_wall = (gas_k - wall_k) / np.where(into > 0.0, tanks.stirred_s, tanks.still_s)
    gas = into / amount * (GAMMA * (outside_k + tanks.inlet_k) - gas_k) - (GAMMA - 1.0) * out * gas_k - to_wall
    wall = amount * to_wall / tanks.wall_per_gas - (wall_k - outside_k) / tanks.wall_s
    return np.stack([into - out * amount, gas, wall])
