"""A plan in the making: which places are taken, whether another visit fits, and who works at which bay. Pure."""

from collections import defaultdict
from collections.abc import Iterable
from functools import lru_cache

import numpy as np

from airwatch.plan.problem import TIGHT, Problem


class Schedule:
    """Visits chosen so far, each a column of the problem; any two of them can be kept together.

    Somebody stands at one bay for a half day and must be able to do all that is done there in it: a vehicle that is
    taken apart in one bay is not left for another one.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.visits: dict[int, int] = {}
        """Column by bundle."""
        self.by_job: dict[int, int] = {}
        """Column by job."""
        self.at: dict[tuple[int, int], set[int]] = defaultdict(set)
        """Columns by bay and half day."""
        self.left_h = problem.capacity_h.reshape(-1).copy()
        """Hours left, by number of bay and half day (bay times slots plus slot)."""
        self._n_bays, self._n_slots = problem.is_open.shape
        self._needs = [[-1] * self._n_bays for _ in range(self._n_slots)]
        self._stands: dict[tuple[int, int], int] = {}
        in_at = [problem.present[:, s] for s in range(self._n_slots)]
        self._people = [tuple(np.array(problem.people, dtype=np.int64)[is_in].tolist()) for is_in in in_at]
        self._table = problem.columns.table

    def fits(self, column: int) -> bool:
        """Tell whether a column can be added to what is there."""
        for j in self.problem.bundles[self._table.bundle[column]].jobs:
            if j in self.by_job:
                return False
        return self.has_room(column) and not self.is_elsewhere(column) and self.can_staff(column)

    def has_room(self, column: int) -> bool:
        """Tell whether the bay has the hours."""
        first = self._table.bay[column] * self._n_slots
        for s, h in self._table.uses[column]:  # noqa: SIM110 a plain loop, as below: the search does little else
            if self.left_h[first + s] < h - TIGHT:
                return False
        return True

    def is_elsewhere(self, column: int) -> bool:
        """Tell whether the vehicle stands in a bay at that time already."""
        table = self._table
        vehicle = self.problem.bundles[table.bundle[column]].vehicle
        for s in range(table.slot[column], table.last[column] + 1):  # noqa: SIM110
            if (vehicle, s) in self._stands:
                return True
        return False

    def can_staff(self, column: int) -> bool:
        """Tell whether there is somebody for each bay in each half day that the column touches."""
        bay, skills = self._table.bay[column], self.problem.bundles[self._table.bundle[column]].skills
        for s, _ in self._table.uses[column]:
            here = self._needs[s]
            now = here[bay]
            if now >= 0 and now | skills == now:
                continue
            needs = [skills | max(now, 0), *(mask for b, mask in enumerate(here) if mask >= 0 and b != bay)]
            if staff(tuple(sorted(needs, reverse=True)), self._people[s]) is None:
                return False
        return True

    def add(self, column: int) -> None:
        """Add a column that fits."""
        table = self._table
        i, bay = table.bundle[column], table.bay[column]
        bundle = self.problem.bundles[i]
        self.visits[i] = column
        for j in bundle.jobs:
            self.by_job[j] = column
        for s, h in table.uses[column]:
            self.left_h[bay * self._n_slots + s] -= h
            self.at[bay, s].add(column)
            self._needs[s][bay] = max(self._needs[s][bay], 0) | bundle.skills
        for s in range(table.slot[column], table.last[column] + 1):
            self._stands[bundle.vehicle, s] = bay

    def remove(self, column: int) -> None:
        """Take a column out."""
        table = self._table
        i, bay = table.bundle[column], table.bay[column]
        bundle = self.problem.bundles[i]
        del self.visits[i]
        for j in bundle.jobs:
            del self.by_job[j]
        for s, h in table.uses[column]:
            self.left_h[bay * self._n_slots + s] += h
            here = self.at[bay, s]
            here.discard(column)
            mask = -1
            for other in here:
                mask = max(mask, 0) | self.problem.bundles[table.bundle[other]].skills
            self._needs[s][bay] = mask
        for s in range(table.slot[column], table.last[column] + 1):
            del self._stands[bundle.vehicle, s]

    def cost(self) -> float:
        """Give what the plan costs: risk and disturbance of visits, and of what is left out."""
        left = [j for j in range(self.problem.n_jobs) if j not in self.by_job]
        chosen = sorted(self.visits.values())
        return float(self.problem.columns.cost[chosen].sum() + self.problem.unplaced[left].sum())

    def risk(self) -> float:
        """Give the risk alone, weighted by severity."""
        placed = sum(float(self.problem.risk[j, self._table.slot[column]]) for j, column in self.by_job.items())
        return placed + float(sum(self.problem.unplaced[j] for j in range(self.problem.n_jobs) if j not in self.by_job))

    def chosen(self) -> list[int]:
        """Give the columns, by half day and bay."""
        table = self._table
        return sorted(self.visits.values(), key=lambda c: (table.slot[c], table.bay[c], c))

    def people_at(self, slot: int) -> dict[int, int]:
        """Give by bay who works there in a half day, as a number of `Problem.people`."""
        masks = {b: mask for b, mask in enumerate(self._needs[slot]) if mask >= 0}
        order = sorted(masks, key=lambda b: (-masks[b], b))
        found = staff(tuple(masks[b] for b in order), self._people[slot])
        assert found is not None  # noqa: S101 each visit was added only because it can be staffed
        present = np.flatnonzero(self.problem.present[:, slot]).tolist()
        return {b: present[k] for b, k in zip(order, found, strict=True)}


def copy_of(schedule: Schedule) -> Schedule:
    """Give a schedule with the same visits."""
    return with_columns(schedule.problem, schedule.visits.values())


def with_columns(problem: Problem, columns: Iterable[int]) -> Schedule:
    """Give a schedule of some columns, which must fit together."""
    schedule = Schedule(problem)
    for column in columns:
        assert schedule.fits(column)  # noqa: S101 whoever calls has seen to it
        schedule.add(column)
    return schedule


@lru_cache(maxsize=1 << 16)
def staff(needs: tuple[int, ...], people: tuple[int, ...]) -> tuple[int, ...] | None:
    """Match bays to people who can do what is done there, by augmenting paths; None if there are too few."""
    if len(needs) > len(people):
        return None
    able = [
        sorted((k for k, mask in enumerate(people) if mask & need == need), key=lambda k: people[k].bit_count())
        for need in needs
    ]
    bay_of: dict[int, int] = {}

    def place(bay: int, seen: set[int]) -> bool:
        for k in able[bay]:
            if k not in seen:
                seen.add(k)
                if k not in bay_of or place(bay_of[k], seen):
                    bay_of[k] = bay
                    return True
        return False

    if not all(place(bay, set()) for bay in range(len(needs))):
        return None
    person = {bay: k for k, bay in bay_of.items()}
    return tuple(person[bay] for bay in range(len(needs)))
