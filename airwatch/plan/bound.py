"""A bound that no plan can be cheaper than, sharper than that of the linear relaxation. Pure.

That each job is done once is priced in place of demanded (Lagrangian relaxation). What is left falls apart into one
knapsack for each bay, half day and kind of person, and one assignment of people to bays for each half day; both are
solved exactly, in whole units of work, where the linear relaxation lets work be split to fill every hour. That a
vehicle is in one bay at a time is left out, and work of several half days is parted among them. The prices are improved
by subgradients.

References
----------
.. [1] M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems", Management Science 27
   (1981) 1-18: the bound, and the step of section 4.
"""

import time
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from airwatch.plan.problem import TIGHT, Floats, Problem

Ints = npt.NDArray[np.int64]

_UNITS_AN_HOUR = 4
_PATIENCE = 8
"""Steps without a better bound after which steps become half as long."""


@dataclass(frozen=True, slots=True)
class Bounded:
    """``bound``, and by column how much dearer than it every plan with that column is (at least)."""

    bound: float
    reduced: Floats


@dataclass(frozen=True, slots=True)
class _Layer:
    """Parts of columns of one bundle, at most one for each bay and half day.

    ``size`` units of work and ``share`` of the column's cost and worth by bay and half day; ``column`` is -1 where
    there is none.
    """

    bundle: int
    size: Ints
    share: Floats
    column: Ints


def lagrangian_bound(
    problem: Problem, prices: Floats, hour_prices: Floats, *, cost: float, until: float, most_steps: int = 400
) -> Bounded:
    """Improve prices of jobs until time is up, and give the best bound that they lead to.

    Parameters
    ----------
    problem : Problem
        The plan.
    prices : array
        One for each job, to begin with: the duals of the linear relaxation.
    hour_prices : array
        For each use of a column (as in `Columns`), what its hours cost there by the same duals.
    cost : float
        Of the best plan known.
    until : float
        By `time.monotonic`, seconds. One step is made in any case.
    most_steps : int
        Steps after which it ends, however much time is left.
    """
    relaxed = _Relaxed(problem, hour_prices)
    prices = np.minimum(prices, problem.unplaced)
    best = relaxed.at(prices)
    best_prices, length, waited = prices, 1.0, 0
    now = best
    for _ in range(most_steps):
        if time.monotonic() >= until or cost - best.bound <= TIGHT * max(1.0, cost) or length < 1e-3:  # noqa: PLR2004
            break
        slope = now.slope
        square = float(slope @ slope)
        if square == 0.0:
            break
        prices = np.minimum(prices + length * (cost - now.bound) / square * slope, problem.unplaced)
        now = relaxed.at(prices)
        if now.bound > best.bound + 1e-9:
            best, best_prices, waited = now, prices, 0
        else:
            waited += 1
            if waited >= _PATIENCE:
                prices, now, length, waited = best_prices, best, 0.5 * length, 0
    return Bounded(best.bound, relaxed.reduced(best_prices))


@dataclass(frozen=True, slots=True)
class _Step:
    bound: float
    slope: Floats


class _Relaxed:
    """The relaxed problem at given prices."""

    def __init__(self, problem: Problem, hour_prices: Floats) -> None:
        self._problem = problem
        columns = problem.columns
        self._jobs = np.zeros((len(problem.bundles), problem.n_jobs))
        for i, bundle in enumerate(problem.bundles):
            self._jobs[i, list(bundle.jobs)] = 1.0
        self._capacity = np.floor(problem.capacity_h * _UNITS_AN_HOUR + 1e-6).astype(np.int64)
        self._most = int(self._capacity.max(initial=0))
        all_needs = 0
        for bundle in problem.bundles:
            all_needs |= bundle.skills
        self._masks = sorted({mask & all_needs for mask in problem.people})
        kind = {mask: g for g, mask in enumerate(self._masks)}
        self._kind_of = np.array([kind[mask & all_needs] for mask in problem.people], dtype=np.int64)
        self._able = np.array(
            [[mask & bundle.skills == bundle.skills for mask in self._masks] for bundle in problem.bundles], dtype=bool
        ).reshape(len(problem.bundles), len(self._masks))
        self._layers = _layers(problem, hour_prices)
        self._cost = columns.cost

    def at(self, prices: Floats) -> _Step:
        """Give the bound at some prices, and how much each job is wanting (1), done (0) or done too often."""
        worth = self._worth(prices)
        values, kept = self._knapsacks(worth)
        n_bays, n_slots = self._capacity.shape
        full = np.take_along_axis(values, self._capacity[None, :, :, None], axis=3)[..., 0]
        total, left = 0.0, -np.ones((len(self._masks), n_bays, n_slots), dtype=np.int64)
        for s in range(n_slots):
            for bay, g, value in self._assigned(full[:, :, s], s):
                total += value
                left[g, bay, s] = self._capacity[bay, s]
        taken = self._taken(kept, left)
        return _Step(float(prices.sum()) - total, 1.0 - taken @ self._jobs)

    def reduced(self, prices: Floats) -> Floats:
        """Give by column how much the relaxed problem loses, at least, if that column must be in the plan.

        A knapsack that holds it has its worth and what the best others make of the remaining room; the bays beside it
        have at most what the people make of them without it. A column of several half days loses in each of them.
        """
        worth = self._worth(prices)
        values, _ = self._knapsacks(worth)
        n_bays, n_slots = self._capacity.shape
        full = np.take_along_axis(values, self._capacity[None, :, :, None], axis=3)[..., 0]
        whole, beside = np.zeros(n_slots), np.zeros((n_bays, n_slots))
        for s in range(n_slots):
            whole[s] = sum(value for _, _, value in self._assigned(full[:, :, s], s))
            for bay in range(n_bays):
                others = np.delete(full[:, :, s], bay, axis=1)
                beside[bay, s] = sum(value for _, _, value in self._assigned(others, s))
        lost = np.zeros(self._cost.size)
        for layer, value in zip(self._layers, worth, strict=True):
            bays, slots = np.nonzero(layer.column >= 0)
            room = self._capacity[bays, slots] - layer.size[bays, slots]
            best = np.full(bays.size, -np.inf)
            for g in np.flatnonzero(self._able[layer.bundle]):
                with_it = value[bays, slots] + values[g, bays, slots, np.maximum(room, 0)]
                best = np.maximum(best, with_it)
            loss = whole[slots] - (best + beside[bays, slots])
            np.add.at(lost, layer.column[bays, slots], np.maximum(loss, 0.0))
        return lost

    def _worth(self, prices: Floats) -> list[Floats]:
        of_bundle = self._jobs @ prices
        found = []
        for layer in self._layers:
            value = layer.share * (of_bundle[layer.bundle] - self._cost[layer.column])
            found.append(np.where(layer.column >= 0, value, -np.inf))
        return found

    def _knapsacks(
        self, worth: list[Floats]
    ) -> tuple[Floats, list[tuple[int, Ints, Ints, Ints, npt.NDArray[np.bool_]]]]:
        """Give the best worth by kind of person, bay, half day and room; and which parts lead there, in order."""
        n_bays, n_slots = self._capacity.shape
        values = np.zeros((len(self._masks), n_bays, n_slots, self._most + 1))
        rooms = np.arange(self._most + 1)
        kept = []
        for k, (layer, value) in enumerate(zip(self._layers, worth, strict=True)):
            bays, slots = np.nonzero((value > 0.0) & (layer.size <= self._capacity))
            if bays.size == 0:
                continue
            kinds = np.flatnonzero(self._able[layer.bundle])
            here = values[kinds[:, None], bays, slots]
            size = layer.size[bays, slots]
            left = rooms[None, :] - size[:, None]
            before = np.take_along_axis(here, np.broadcast_to(np.maximum(left, 0), here.shape), axis=2)
            with_it = np.where(left >= 0, before + value[bays, slots][:, None], -np.inf)
            is_better = with_it > here
            values[kinds[:, None], bays, slots] = np.where(is_better, with_it, here)
            kept.append((k, kinds, bays, slots, is_better))
        return values, kept

    def _assigned(self, full: Floats, slot: int) -> list[tuple[int, int, float]]:
        """Give bay, kind of person and worth of the best assignment in one half day, of worths by kind and bay."""
        here = self._kind_of[self._problem.present[:, slot]]
        if here.size == 0 or full.shape[1] == 0:
            return []
        table = full[here]
        people, bays = linear_sum_assignment(table, maximize=True)
        return [
            (int(bay), int(here[p]), float(table[p, bay]))
            for p, bay in zip(people, bays, strict=True)
            if table[p, bay] > 0.0
        ]

    def _taken(self, kept: list[tuple[int, Ints, Ints, Ints, npt.NDArray[np.bool_]]], left: Ints) -> Floats:
        """Give how often each bundle is taken; ``left`` is the room of each knapsack, -1 where nobody works."""
        taken = np.zeros(len(self._problem.bundles))
        for k, kinds, bays, slots, is_better in reversed(kept):
            layer = self._layers[k]
            room = left[kinds[:, None], bays, slots]
            is_in = (room >= 0) & np.take_along_axis(is_better, np.maximum(room, 0)[..., None], axis=2)[..., 0]
            if not is_in.any():
                continue
            taken[layer.bundle] += float((is_in * layer.share[bays, slots]).sum())
            left[kinds[:, None], bays, slots] = np.where(is_in, room - layer.size[bays, slots], room)
        return taken


def _layers(problem: Problem, hour_prices: Floats) -> list[_Layer]:
    """Part the columns; one of several half days is a part in each, with the share of its worth that its hours cost."""
    columns = problem.columns
    shape = problem.is_open.shape
    parts: dict[tuple[int, int], list[tuple[int, int, int, int, float]]] = defaultdict(list)
    for c, (i, bay) in enumerate(zip(columns.bundle.tolist(), columns.bay.tolist(), strict=True)):
        uses = columns.table.uses[c]
        paid = hour_prices[columns.use_from[c] : columns.use_from[c + 1]]
        if (whole := float(paid.sum())) <= TIGHT:
            paid = np.array([h for _, h in uses])
            whole = float(paid.sum())
        for k, ((s, h), part) in enumerate(zip(uses, (paid / whole).tolist(), strict=True)):
            units = int(np.floor(h * _UNITS_AN_HOUR + 1e-6))
            parts[i, k if len(uses) > 1 else -1].append((bay, s, c, units, part))
    layers = []
    for (i, _), found in sorted(parts.items()):
        size, share = np.zeros(shape, dtype=np.int64), np.zeros(shape)
        column = -np.ones(shape, dtype=np.int64)
        for bay, s, c, units, part in found:
            size[bay, s], share[bay, s], column[bay, s] = units, part, c
        layers.append(_Layer(i, size, share, column))
    return layers
