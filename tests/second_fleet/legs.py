"""Driving between two stops: highway, city and a bus route, as rows of a script."""

import numpy as np

from tests.second_fleet.kinds import Floats
from tests.second_fleet.script import F, moving, part


def highway(rng: np.random.Generator, *, seconds: float, idle_rpm: float) -> Floats:
    """Write a leg on the highway: long stretches, light braking now and then."""
    n = max(2, round(seconds / 290))
    cruise, slow = rng.uniform(82, 98, n), rng.uniform(45, 75, n)
    rows = moving(
        n,
        [
            part(duration=rng.uniform(20, 50, n), rpm_from=1100, rpm_to=1600, speed_from=slow, speed_to=cruise),
            part(
                duration=rng.uniform(80, 420, n),
                rpm_from=rng.uniform(1200, 1450, n),
                rpm_to=1350,
                speed_from=cruise,
                speed_to=cruise,
            ),
            part(
                duration=rng.uniform(4, 12, n),
                rpm_from=1200,
                rpm_to=1000,
                speed_from=cruise,
                speed_to=np.roll(slow, -1),
                pedal=rng.uniform(50, 150, n),
            ),
        ],
    )
    rows[0, F.SPEED_FROM] = 0.0
    rows[0, F.DURATION] = 75.0
    return np.concatenate([rows, _halt(rng, float(rows[-1, F.SPEED_TO]), idle_rpm)])


def _halt(rng: np.random.Generator, speed_kph: float, idle_rpm: float) -> Floats:
    pedal = float(rng.uniform(110, 220))
    return moving(
        1,
        [
            part(duration=8 + speed_kph / 6, rpm_from=1100, rpm_to=idle_rpm, speed_from=speed_kph, pedal=pedal),
            part(duration=rng.uniform(3, 8), rpm_from=idle_rpm, rpm_to=idle_rpm, pedal=pedal + 40),
        ],
    )


def city(rng: np.random.Generator, *, seconds: float, idle_rpm: float, is_hard: bool) -> Floats:
    """Write a leg in town: from one light to the next; ``is_hard`` is a driver who brakes late and hard."""
    n = max(2, round(seconds / (55 if is_hard else 85)))
    speed = rng.uniform(28, 62, n)
    pedal = rng.uniform(200, 420, n) if is_hard else rng.uniform(90, 240, n)
    cruise = rng.uniform(4, 35, n) if is_hard else rng.uniform(10, 70, n)
    return moving(
        n,
        [
            part(duration=speed / 2.6, rpm_from=900, rpm_to=rng.uniform(1500, 2000, n), speed_to=speed),
            part(duration=cruise, rpm_from=1200, rpm_to=1250, speed_from=speed, speed_to=speed),
            part(
                duration=speed / (9 if is_hard else 5.5), rpm_from=1200, rpm_to=idle_rpm, speed_from=speed, pedal=pedal
            ),
            part(
                duration=rng.uniform(3, 35, n),
                rpm_from=idle_rpm,
                rpm_to=idle_rpm,
                pedal=rng.uniform(120, 260, n) * (rng.random(n) < 0.8),
            ),
        ],
    )


def route(rng: np.random.Generator, *, seconds: float, idle_rpm: float, is_hard: bool) -> Floats:
    """Write a leg of a bus: a stop every minute or two, doors each time, kneeling at some."""
    n = max(2, round(seconds / 95))
    speed = rng.uniform(25, 50, n)
    pedal = rng.uniform(180, 350, n) if is_hard else rng.uniform(110, 220, n)
    kneels = rng.random(n) < 0.35
    return moving(
        n,
        [
            part(duration=speed / 2.4, rpm_from=900, rpm_to=rng.uniform(1500, 2050, n), speed_to=speed),
            part(duration=rng.uniform(8, 60, n), rpm_from=1250, rpm_to=1200, speed_from=speed, speed_to=speed),
            part(duration=speed / 4.5, rpm_from=1200, rpm_to=idle_rpm, speed_from=speed, pedal=pedal),
            part(
                duration=rng.uniform(8, 35, n),
                rpm_from=idle_rpm,
                rpm_to=idle_rpm,
                pedal=180,
                draw=110.0 + kneels * rng.uniform(900, 1800, n),
            ),
        ],
    )
