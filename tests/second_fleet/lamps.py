"""`faults` messages: key, ABS lamps with their self-check, trouble codes, and those of somebody else's controller."""

import numpy as np

from tests.second_fleet.drive import Seen
from tests.second_fleet.kinds import Fault
from tests.second_fleet.link import Link, stamp
from tests.second_fleet.vehicles import Vehicle

_ABS_ADDRESS, _ENGINE_ADDRESS = 11, 0
_ENGINE_CODES = ((110, 16), (3226, 4), (97, 3))
_P_ENGINE_CODE = 0.15  # of the units have an engine code now and then, which has nothing to do with brakes
_EPISODE_EVERY_S = 3600.0
_MOST_COUNT = 126


def _lamp(name: str, t_s: float, *, on: bool) -> dict[str, object]:
    return {"lamp": name, "t": stamp(t_s), "on": on}


class Lamps:
    """Writes one vehicle's `faults` messages in the order of time."""

    def __init__(self, rng: np.random.Generator, vehicle: Vehicle, link: Link) -> None:
        self._rng, self._vehicle, self._link = rng, vehicle, link
        fault = vehicle.fault
        self._fault: Fault | None = fault if fault is not None and fault.kind.startswith("abs") else None
        self._is_engine_ill = rng.random() < _P_ENGINE_CODE
        self._says_dark = rng.random() < 0.5
        self._count = 1
        self._fmi = int(rng.choice([1, 5, 7, 10]))

    def send(self, seen: Seen, end_s: int) -> None:
        """Send everything from the first key-on to the end."""
        keys = seen.keys
        for k, (t, on, trailer) in enumerate(keys):
            if on:
                off_s = keys[k + 1][0] if k + 1 < len(keys) else end_s
                self._key_on(t, off_s, is_towing=trailer >= 0)
            else:
                self._say(t + 0.2, {"lamps": [_lamp("key", t, on=False)]})

    def _say(self, t_s: float, body: dict[str, object], address: int = _ABS_ADDRESS) -> None:
        self._link.send("faults", t_s, {"t": stamp(t_s), "source_address": address} | body)

    def _codes(self) -> list[dict[str, int]]:
        assert self._fault is not None
        return [{"spn": int(self._fault.size), "fmi": self._fmi, "count": min(self._count, _MOST_COUNT)}]

    def _is_there(self, t_s: float, kind: str) -> bool:
        return self._fault is not None and self._fault.kind == kind and t_s >= self._fault.began_s

    def _key_on(self, t_s: int, off_s: int, *, is_towing: bool) -> None:
        rng = self._rng
        events = [_lamp("key", t_s, on=True)]
        lit_s = t_s + float(rng.uniform(0.1, 0.4))
        dark_s = lit_s + float(rng.uniform(1.9, 2.9))
        stays = self._is_there(t_s, "abs_active")
        odd = self._is_there(t_s, "abs_lamp")
        is_stuck_size = self._fault is not None and self._fault.size > 0
        dead = odd and not is_stuck_size
        if not dead:
            events.append(_lamp("tractor_abs", lit_s, on=True))
        elif self._says_dark:
            events.append(_lamp("tractor_abs", lit_s, on=False))
        later = [] if stays or odd else [_lamp("tractor_abs", dark_s, on=False)]
        if is_towing:
            shift = float(rng.uniform(0.0, 0.2))
            events.append(_lamp("trailer_abs", lit_s + shift, on=True))
            later.append(_lamp("trailer_abs", dark_s + shift, on=False))
        codes: list[dict[str, int]] = self._codes() if stays else []
        if self._vehicle.gateway.splits_lamps:
            self._say(lit_s + 0.3, {"codes": codes, "lamps": events})
            if later:
                self._say(dark_s + 0.3, {"lamps": later})
        else:
            self._say(dark_s + 0.3, {"codes": codes, "lamps": events + later})
        if self._is_engine_ill and rng.random() < 0.4:
            spn, fmi = _ENGINE_CODES[int(rng.integers(len(_ENGINE_CODES)))]
            self._say(dark_s + 1.0, {"codes": [{"spn": spn, "fmi": fmi, "count": 1}]}, _ENGINE_ADDRESS)
        if self._fault is not None:
            self._later(self._fault, t_s, dark_s, off_s)

    def _later(self, fault: Fault, t_s: int, dark_s: float, off_s: int) -> None:
        """Send what happens to the code after the self-check."""
        if fault.kind == "abs_active" and t_s < fault.began_s < off_s:
            at = max(float(fault.began_s), dark_s + 2.0)
            self._say(at + 0.2, {"codes": self._codes(), "lamps": [_lamp("tractor_abs", at, on=True)]})
        elif fault.kind == "abs_intermittent" and off_s > fault.began_s:
            self._episodes(max(dark_s + 5.0, float(fault.began_s)), off_s)

    def _episodes(self, from_s: float, to_s: float) -> None:
        """Let the code come and go until the key is turned off."""
        t = from_s + float(self._rng.exponential(_EPISODE_EVERY_S))
        while t < to_s - 30:
            self._say(t + 0.2, {"codes": self._codes(), "lamps": [_lamp("tractor_abs", t, on=True)]})
            self._count += 1
            gone = t + float(self._rng.uniform(20, 900))
            if gone > to_s - 10:
                return
            self._say(gone + 0.2, {"codes": [], "lamps": [_lamp("tractor_abs", gone, on=False)]})
            t = gone + float(self._rng.exponential(_EPISODE_EVERY_S))
