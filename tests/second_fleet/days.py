"""A unit's days: parked, woken, pumped up, sometimes tested, driven with stops, parked again."""

import numpy as np

from tests.second_fleet.fleet import Fleet, works
from tests.second_fleet.kinds import DAY_S, Floats
from tests.second_fleet.legs import city, highway, route
from tests.second_fleet.script import F, Wait, idle, row
from tests.second_fleet.vehicles import Vehicle

_ENOUGH_KPA = 600.0  # drivers wait for this before they move
_EMPTY_KPA = 25.0  # below this nobody pumps on
_SURE_KPA = 255.0  # no warning by then: it will not come
_PARKED_STEP_S, _ASLEEP_STEP_S = 10, 120


def unit_rows(rng: np.random.Generator, fleet: Fleet, number: int) -> Floats:
    """Write the whole recording of one vehicle."""
    vehicle, towed = fleet.vehicles[number], fleet.towed[number]
    rows: list[Floats] = []
    coupled = -1
    for day in range(fleet.days):
        if not works(vehicle, day):
            continue
        start = day * DAY_S + round((vehicle.habits.start_h + rng.normal(0, 0.3)) * 3600)
        rows += _parked(vehicle, until=start)
        trailer = tr if (tr := towed[day]) is not None else -1
        rest = rng.uniform(0, 450) if trailer != coupled else 0.0
        today = _Day(rng, vehicle, is_towing=trailer >= 0).rows()
        today[:, [F.TRAILER, F.COUPLED]] = trailer, rest
        rows.append(today)
        coupled = trailer
    rows += _parked(vehicle, until=fleet.days * DAY_S)
    out = np.concatenate(rows)
    _keep_trailer(out)
    return out


def _keep_trailer(rows: Floats) -> None:
    """Leave the trailer coupled over night."""
    for k in np.flatnonzero(rows[:, F.KEY] == 0):
        rows[k, F.TRAILER] = -1.0 if k == 0 else rows[k - 1, F.TRAILER]


def _parked(vehicle: Vehicle, *, until: float = 0.0, seconds: float = 0.0, **values: float) -> list[Floats]:
    """Write a time with the key off, first with a gateway that is still awake where it stays so."""
    gateway = vehicle.gateway
    off = {"key": 0.0, "open": float(vehicle.habits.leaves_open), "indoor": vehicle.habits.indoor_k} | values
    if gateway.parked == "all":
        return [row(duration=seconds, until=until, step=_PARKED_STEP_S, report=2, **off)]
    rows = []
    if gateway.parked == "linger":
        awake = gateway.linger_s if until else min(gateway.linger_s, seconds)
        rows.append(row(duration=awake, step=_PARKED_STEP_S, report=2, **off))
        seconds -= awake
    if until or seconds > 0:
        rows.append(row(duration=seconds, until=until, step=_ASLEEP_STEP_S, report=0, **off))
    return rows


class _Day:
    """Writes one working day."""

    def __init__(self, rng: np.random.Generator, vehicle: Vehicle, *, is_towing: bool) -> None:
        self._rng, self._vehicle, self._habits = rng, vehicle, vehicle.habits
        self._is_towing = float(is_towing)
        self._open_parked = float(is_towing and vehicle.habits.leaves_open)
        self._rows: list[Floats] = []

    def rows(self) -> Floats:
        """Write it."""
        self._wake(build=True)
        self._test()
        left = self._habits.work_s * self._rng.uniform(0.85, 1.1)
        while left > 0:
            seconds = min(left, self._rng.uniform(1200, 5400))
            self._leg(seconds)
            left -= seconds
            if left > 0:
                self._stop()
        self._leave()
        return np.concatenate(self._rows)

    def _add(self, rows: Floats) -> None:
        self._rows.append(rows)

    def _idle(self, seconds: float, rpm: float | None = None, **values: float) -> None:
        values = {"open": self._open_parked} | values
        self._add(idle(round(seconds), self._vehicle.idle_rpm if rpm is None else rpm, **values))

    def _still(self, seconds: float, **values: float) -> None:
        """Stand with the key on and the engine off."""
        values = {"open": self._open_parked} | values
        self._add(row(duration=round(seconds), **values))

    def _wake(self, *, build: bool) -> None:
        rng, vehicle = self._rng, self._vehicle
        self._still(rng.uniform(5, 12))
        self._idle(rng.uniform(8, 40))
        rpm = vehicle.idle_rpm
        if self._habits.build_rpm and rng.random() < 0.8:
            rpm = self._habits.build_rpm
        self._idle(1800, rpm, wait=Wait.RISEN, level=_ENOUGH_KPA)
        if build and rng.random() < 0.7:
            self._idle(900, rpm, wait=Wait.CUT_OUT)

    def _test(self) -> None:
        """Test before the trip: hold with the engine off, released, applied, and pump down, or less, or nothing."""
        rng, habits = self._rng, self._habits
        is_full, is_held = rng.random() < habits.p_full, rng.random() < habits.p_holds
        if not (is_full or is_held or rng.random() < habits.p_static):
            return
        self._idle(900, wait=Wait.CUT_OUT)
        if self._is_towing and (is_full or is_held):
            self._idle(25, open=1)  # charge the trailer, then fill up again
            self._idle(600, open=1, wait=Wait.CUT_OUT)
        if rng.random() < 0.6:
            self._idle(rng.uniform(20, 60))
        if not is_full or rng.random() < 0.5:
            self._still(rng.uniform(70, 300))
        if is_full or is_held:
            self._released_and_applied()
        if is_full:
            self._pump_down()

    def _released_and_applied(self) -> None:
        rng, open_now = self._rng, self._is_towing
        self._still(rng.uniform(90, 240), park=0, open=open_now)
        if rng.random() < 0.8:
            pedal = float(rng.uniform(600, 760))
            self._still(rng.uniform(70, 150), park=0, open=open_now, pedal=pedal)
            self._still(rng.uniform(4, 10), park=0, open=open_now)

    def _pump_down(self) -> None:
        rng, vehicle, open_now = self._rng, self._vehicle, self._is_towing
        pumping = {"park": 0.0, "open": open_now, "pump": 1.0}
        pedal = float(rng.uniform(420, 600))
        self._still(400, **pumping, pedal=pedal, wait=Wait.WARNED, level=_SURE_KPA)
        self._still(rng.uniform(4, 12), park=0, open=open_now)
        self._still(500, **pumping, pedal=350, wait=Wait.POPPED, level=_EMPTY_KPA)
        self._still(rng.uniform(5, 15), open=0)
        self._idle(rng.uniform(4, 8), open=0)
        governed = float(vehicle.governed_rpm) * rng.uniform(0.97, 1.0)
        self._idle(900, governed if rng.random() < 0.85 else 1400.0, open=0, wait=Wait.CUT_OUT)
        self._idle(rng.uniform(8, 20), open=0)

    def _leg(self, seconds: float) -> None:
        rng, habits, rpm = self._rng, self._habits, self._vehicle.idle_rpm
        self._idle(rng.uniform(4, 12), park=0, open=self._is_towing, pedal=220)
        if self._is_towing:  # nobody drives off before the trailer is charged
            self._idle(300, park=0, open=1, pedal=220, wait=Wait.RISEN, level=_ENOUGH_KPA)
        if habits.duty == "highway":
            rows = highway(rng, seconds=seconds, idle_rpm=rpm)
        elif habits.duty == "city":
            rows = city(rng, seconds=seconds, idle_rpm=rpm, is_hard=habits.is_hard_braking)
        else:
            rows = route(rng, seconds=seconds, idle_rpm=rpm, is_hard=habits.is_hard_braking)
        self._add(rows)

    def _stop(self) -> None:
        """Stop between two legs: with the engine on, off with the key on, or off altogether."""
        rng = self._rng
        if rng.random() < 0.3:  # the suspension is let down at a dock
            self._idle(20, draw=rng.uniform(500, 1500))
        luck = rng.random()
        if luck < self._habits.key_off_stops:
            self._idle(rng.uniform(5, 30))
            self._rows += _parked(self._vehicle, seconds=round(rng.uniform(600, 3600)))
            self._wake(build=False)
        elif luck < 0.75:
            self._idle(rng.uniform(120, 900))
        else:
            self._still(rng.uniform(120, 500))
            self._idle(1200, wait=Wait.RISEN, level=_ENOUGH_KPA)

    def _leave(self) -> None:
        self._idle(self._rng.uniform(15, 90))
        if self._rng.random() < 0.3:
            self._still(self._rng.uniform(20, 150))
        if self._habits.drain:
            drain = 1.0 if self._habits.drain == "supply" else 2.0
            self._add(row(duration=90, key=0, step=_PARKED_STEP_S, report=2, drain=drain, open=self._open_parked))
