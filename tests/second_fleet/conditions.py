"""Turns faults, at each unit's own time, into what the plant is made of: orifices, thresholds, delivery."""

import numpy as np

from tests.second_fleet.fleet import Fleet
from tests.second_fleet.kinds import Floats, share_there
from tests.second_fleet.plant import PRIMARY, SECONDARY, SUPPLY, TRAILER, Plant, per_s
from tests.second_fleet.vehicles import ATM_KPA

_NEVER_KPA = -1000.0  # below zero even with the switch's hysteresis
_FIRST_KPA = 860.0  # where a backflow starts, about: cut-out


class Conditions:
    """Keeps a plant as healthy or faulty as it is at the time."""

    def __init__(self, fleet: Fleet, plant: Plant) -> None:
        self._fleet, self._plant = fleet, plant
        vs = fleet.vehicles
        leaks = np.array([v.leaks for v in vs]).T
        volume = plant.volume_l
        self._with = {PRIMARY: volume[SUPPLY] + volume[PRIMARY], SECONDARY: volume[SUPPLY] + volume[SECONDARY]}
        self._healthy = np.zeros((4, len(vs)))
        self._healthy[SUPPLY] = per_s(leaks[0])
        for k, tank in ((1, PRIMARY), (2, SECONDARY)):
            self._healthy[tank] = per_s(leaks[k]) * self._with[tank] / volume[tank]
        self._faults = [v.fault for v in vs]
        self._kind = np.array([f.kind if f else "" for f in self._faults])
        self._size = np.array([f.size if f else 0.0 for f in self._faults])
        self._on_secondary = np.array([f is not None and f.circuit == "secondary" for f in self._faults])
        self._cut_out = np.array([v.cut_out_kpa for v in vs])
        self._differential = np.array([v.differential_kpa for v in vs])
        self._warning = np.array([v.warning_kpa for v in vs])
        self._park_pop = np.array([v.park_pop_kpa for v in vs])
        self._trailer_pop = np.array([v.trailer_pop_kpa for v in vs])
        self._tankfaults = [t.fault for t in fleet.trailers]
        self._trailer_leak = np.array([t.leak for t in fleet.trailers])

    def _amount(self, kind: str, share: Floats) -> Floats:
        return np.where(self._kind == kind, self._size * share, 0.0)

    def _towards(self, kind: str, healthy: Floats, share: Floats) -> Floats:
        """Go from the healthy value to the fault's as far as it is there."""
        return np.where(self._kind == kind, healthy + (self._size - healthy) * share, healthy)

    def apply(self, t_s: Floats, trailer: Floats) -> None:
        """Set the plant to what is true at each unit's time, with the trailer it has (-1 for none)."""
        plant, volume = self._plant, self._plant.volume_l
        share = share_there(self._faults, t_s)
        leak = self._healthy.copy()
        leak[SUPPLY] += per_s(self._amount("leak_supply", share))
        for kind, tank in (("leak_primary", PRIMARY), ("leak_secondary", SECONDARY)):
            leak[tank] += per_s(self._amount(kind, share)) * self._with[tank] / volume[tank]
        leak[TRAILER] = per_s(self._behind(t_s, trailer)) * (plant.own_l + volume[TRAILER]) / volume[TRAILER]
        plant.leak_per_s = leak
        applied = per_s(self._amount("leak_applied", share))
        plant.applied_leak = np.array(
            [applied * ~self._on_secondary * self._with[PRIMARY], applied * self._on_secondary * self._with[SECONDARY]]
        )
        plant.released_leak = per_s(self._amount("leak_released", share)) * plant.own_l
        lost_kpa = np.minimum(self._amount("supply_backflow", share), 300.0)
        plant.backflow_per_s = -np.log1p(-lost_kpa / (_FIRST_KPA + ATM_KPA)) / 60
        plant.delivered = 1.0 - self._amount("compressor_weak", share)
        cut_out = self._towards("governor_cut_out_high", self._cut_out, share)
        plant.cut_out_kpa = self._towards("governor_cut_out_low", cut_out, share)
        plant.cut_in_kpa = plant.cut_out_kpa - self._towards("governor_short_cycling", self._differential, share)
        warning = self._towards("low_air_warning_low", self._warning, share)
        plant.warning_kpa = np.where((self._kind == "low_air_warning_missing") & (share > 0), _NEVER_KPA, warning)
        plant.park_pop_kpa = self._towards("protection_valve_low", self._park_pop, share)
        plant.trailer_pop_kpa = self._towards("protection_valve_low", self._trailer_pop, share) + np.where(
            self._kind == "protection_valve_low", 6.0, 0.0
        )

    def _behind(self, t_s: Floats, trailer: Floats) -> Floats:
        """Give the leak of the trailer behind each unit, kPa/min of all tanks together."""
        out = np.zeros(t_s.size)
        for k in np.flatnonzero(trailer >= 0):
            number = int(trailer[k])
            fault = self._tankfaults[number]
            out[k] = self._trailer_leak[number]
            if fault is not None:
                out[k] += fault.size * share_there([fault], t_s[k : k + 1])[0]
        return out
