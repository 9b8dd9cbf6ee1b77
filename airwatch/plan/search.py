"""Plans by taking one job after the other, and by taking some out and putting them in anew. Pure."""

import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from airwatch.errors import PlanError
from airwatch.plan.problem import TIGHT, Floats, Ints, Problem
from airwatch.plan.schedule import Schedule, copy_of, with_columns

Jobs = tuple[int, ...]
_NO_GAIN = 1e-12
_MOST_OUT = 8
"""Vehicles that are taken out at once: more of them seldom find a better place together within the time."""


@dataclass(frozen=True, slots=True)
class Hints:
    """What the linear relaxation says of a plan.

    ``reduced`` by column: what it costs beside what the hours that it takes are worth to others; ``prices`` by job:
    what having it done is worth; ``starts`` by job: the mean half day in which it is done there.
    """

    reduced: Floats
    prices: Floats
    starts: Floats


class Index:
    """Ways to look up the columns of a problem, in the light of its relaxation where that is known."""

    def __init__(self, problem: Problem, hints: Hints | None = None) -> None:
        columns = problem.columns
        self.problem = problem
        self.table = columns.table
        self.bundle_of: dict[Jobs, int] = {bundle.jobs: i for i, bundle in enumerate(problem.bundles)}
        self.jobs_of: dict[int, list[int]] = defaultdict(list)
        self.bundles_of: dict[int, list[int]] = defaultdict(list)
        for i, bundle in enumerate(problem.bundles):
            self.bundles_of[bundle.vehicle].append(i)
            if len(bundle.jobs) == 1:
                self.jobs_of[bundle.vehicle].append(bundle.jobs[0])
        self.vehicle_of = {j: v for v, jobs in self.jobs_of.items() for j in jobs}
        self.cheapest = self._by(np.lexsort((columns.slot, columns.cost, columns.bundle)))
        self.earliest = self._by(np.lexsort((columns.bay, columns.slot, columns.bundle)))
        self.dearest_hours_last = (
            self.cheapest
            if hints is None
            else self._by(np.lexsort((columns.slot, columns.cost, hints.reduced, columns.bundle)))
        )
        self.orders = self._orders(hints)
        self.ranks = [self._ranks(order) for order in self.orders]
        places = zip(self.table.bundle, self.table.bay, self.table.slot, strict=True)
        self.at = {place: k for k, place in enumerate(places)}
        self.unplaced: list[float] = problem.unplaced.tolist()
        self.partitions = {v: list(_partitions(jobs, self.bundle_of)) for v, jobs in self.jobs_of.items()}

    def _orders(self, hints: Hints | None) -> list[Ints]:
        """Give orders in which to take the jobs: by what leaving them out or a day costs, by hour of work or not."""
        problem = self.problem
        hours = problem.given.jobs["work_h"].to_numpy() + problem.settings.work.visit_h
        first, later = problem.risk[:, 0], problem.risk[:, min(2, problem.risk.shape[1] - 1)]
        rise = problem.unplaced - first
        keys = [-rise / hours, -rise, -(later - first) / hours]
        if hints is not None:
            keys += [hints.starts, -hints.prices / hours, -hints.prices]
        return [np.argsort(key, kind="stable") for key in keys]

    def _ranks(self, order: Ints) -> dict[int, int]:
        """Give the place of each vehicle's first job in an order."""
        place = {j: k for k, j in enumerate(order.tolist())}
        return {v: min(place[j] for j in jobs) for v, jobs in self.jobs_of.items()}

    def _by(self, order: Ints) -> "_Listed":
        """List columns by bundle in an order, each with its bay, first half day, and hours there."""
        columns = self.problem.columns
        n_slots = self.problem.is_open.shape[1]
        edges = np.searchsorted(columns.bundle[order], np.arange(len(self.problem.bundles) + 1))
        place = (columns.bay * n_slots + columns.slot)[order]
        hours = columns.use_h[columns.use_from[:-1]][order] - TIGHT if order.size else np.zeros(0)
        return [(order[a:b], place[a:b], hours[a:b]) for a, b in pairwise(edges.tolist())]


_Listed = list[tuple[Ints, Ints, Floats]]


def first_that_fits(schedule: Schedule, listed: tuple[Ints, Ints, Floats]) -> int | None:
    """Give the first of some columns that fits, None if none does; those without room are passed over all at once."""
    columns, place, hours = listed
    for column in columns[schedule.left_h[place] >= hours].tolist():
        if schedule.fits(column):
            return int(column)
    return None


def pinned_first(index: Index) -> Schedule:
    """Give a schedule with the jobs that have a fixed place.

    Raises
    ------
    PlanError
        Two of them can't both have theirs.
    """
    problem = index.problem
    schedule = Schedule(problem)
    together: dict[tuple[int, tuple[int, int]], list[int]] = defaultdict(list)
    for j, place in problem.pinned.items():
        together[index.vehicle_of[j], place].append(j)
    for (_, (bay, slot)), jobs in sorted(together.items(), key=lambda one: one[0][1]):
        group = tuple(sorted(jobs))
        column = index.at.get((index.bundle_of.get(group, -1), bay, slot))
        if column is None or not schedule.fits(column):
            names = ", ".join(problem.given.jobs["job"][j] for j in group)
            raise PlanError(f"job {names}: {why_not(schedule, index, group, bay, slot)}")
        schedule.add(column)
    return schedule


def why_not(schedule: Schedule, index: Index, jobs: Jobs, bay: int, slot: int) -> str:
    """Say why jobs can't have a place beside what is fixed; `airwatch.plan.explain` says more for a whole plan."""
    given = index.problem.given
    where = f"{given.shop.bay[bay].name} at {given.slots[slot].start:%Y-%m-%d %H:%M}Z"
    column = index.at.get((index.bundle_of.get(jobs, -1), bay, slot))
    if column is None:
        return f"it can't be done in {where}; choose another place"
    if not schedule.has_room(column):
        left = schedule.left_h[bay * len(given.slots) + slot]
        return f"{where} has {left:.1f} h left beside what is fixed there; choose another place, or free that one"
    if schedule.is_elsewhere(column):
        return f"the vehicle stands in another bay then; choose a place beside {where}"
    return f"nobody who can do it is left for {where} beside what is fixed; choose another place, or free that one"


By = Literal["time", "cost", "price"]
"""Which place a job gets: the earliest, the cheapest, or the one that is dear least to others."""


def by_list(index: Index, order: Sequence[int], by: By) -> Schedule:
    """Take the jobs in an order, each at the first place that it can have.

    A job joins a visit of its vehicle if that is no later (no dearer) than a visit of its own.
    """
    schedule = pinned_first(index)
    for j in order:
        if j not in schedule.by_job:
            _take(schedule, index, j, by)
    return schedule


def _take(schedule: Schedule, index: Index, j: int, by: By) -> None:
    best: tuple[float, int, int | None] | None = None  # key, column, column that it takes the place of
    others = {schedule.by_job[k] for k in index.jobs_of[index.vehicle_of[j]] if k in schedule.by_job}
    for old in sorted(others):
        jobs = tuple(sorted((*index.problem.bundles[index.table.bundle[old]].jobs, j)))
        column = index.at.get((index.bundle_of.get(jobs, -1), index.table.bay[old], index.table.slot[old]))
        if column is None:
            continue
        schedule.remove(old)
        if schedule.fits(column):
            key = index.table.cost[column] - index.table.cost[old] if by != "time" else float(index.table.slot[column])
            if best is None or key < best[0]:
                best = (key, column, old)
        schedule.add(old)
    alone = index.bundle_of[j,]
    listed = {"time": index.earliest, "cost": index.cheapest, "price": index.dearest_hours_last}[by]
    column = first_that_fits(schedule, listed[alone])
    if column is not None:
        key = index.table.cost[column] if by != "time" else float(index.table.slot[column])
        if best is None or key < best[0]:
            best = (key, column, None)
    if best is None or (by != "time" and best[0] >= index.unplaced[j]):
        return
    if best[2] is not None:
        schedule.remove(best[2])
    schedule.add(best[1])


def earliest_due(index: Index) -> Schedule:
    """Plan by earliest due date: when the limit is likely crossed or the campaign begins; beyond it: at once.

    Ties go to the graver, then to the one open for longest. A job without a date comes last.
    """
    jobs = index.problem.given.jobs
    gravity = {"high": 0, "medium": 1, "low": 2}
    never = max(slot.end for slot in index.problem.given.slots).replace(year=9999)

    def key(j: int) -> tuple[object, ...]:
        row = jobs.row(j, named=True)
        likely = index.problem.given.begin if row["is_beyond"] else row["crossing_likely"]
        dates = [one for one in (likely, row["due"]) if one is not None]
        return (min(dates, default=never), gravity[row["severity"]], row["opened"], row["job"])

    return by_list(index, sorted(range(index.problem.n_jobs), key=key), "time")


def first_come(index: Index) -> Schedule:
    """Plan first come, first served: by when the alert was opened."""
    jobs = index.problem.given.jobs
    order = sorted(range(index.problem.n_jobs), key=lambda j: (jobs["opened"][j], jobs["job"][j]))
    return by_list(index, order, "time")


def as_before(index: Index) -> Schedule:
    """Give the plan before, as far as it can still be kept, with the other jobs at their cheapest places."""
    problem = index.problem
    given = problem.given
    schedule = pinned_first(index)
    numbers = {job: j for j, job in enumerate(given.jobs["job"])}
    bays = {bay.name: k for k, bay in enumerate(given.shop.bay)}
    slots = {slot.start: k for k, slot in enumerate(given.slots)}
    together: dict[tuple[int, int, int], list[int]] = defaultdict(list)
    for job, bay, start in given.before.iter_rows():
        if (j := numbers.get(job)) is not None and j not in schedule.by_job and bay in bays and start in slots:
            together[slots[start], bays[bay], index.vehicle_of[j]].append(j)
    for (slot, bay, _), jobs in sorted(together.items()):
        column = index.at.get((index.bundle_of.get(tuple(sorted(jobs)), -1), bay, slot))
        if column is not None and schedule.fits(column):
            schedule.add(column)
    for j in index.orders[0].tolist():
        if j not in schedule.by_job:
            _take(schedule, index, j, "cost")
    return schedule


def greedy(index: Index) -> Schedule:
    """Give the best of several orders, each job at its cheapest place or at the one that is dear least to others."""
    ways: tuple[By, ...] = ("cost", "price")
    found = [by_list(index, order.tolist(), way) for order in index.orders for way in ways]
    return min([*found, as_before(index), earliest_due(index), first_come(index)], key=Schedule.cost)


def improve(start: Schedule, index: Index, *, until: float, seed: int, most_rounds: int | None = None) -> Schedule:
    """Take a few vehicles out and put them in anew, and keep what is no dearer, until time is up.

    Vehicles that go out together stand near each other in time, or what stands in the way of one that waits or is left
    out goes out with it. What is a little dearer is kept at first, less and less, so that the plan gets out of corners.

    Parameters
    ----------
    start : Schedule
        Where to begin; it is not changed.
    index : Index
        Of the same problem.
    until : float
        By `time.monotonic`, seconds.
    seed : int
        Of the choices; with ``most_rounds`` in place of the time the result is the same each time.
    most_rounds : int, optional
        Rounds after which it ends, however much time is left.
    """
    rng = np.random.default_rng(seed)
    now, best = copy_of(start), sorted(start.visits.values())
    cost = best_cost = now.cost()
    vehicles = sorted(index.jobs_of)
    if not vehicles:
        return now
    begun = time.monotonic()
    rounds = 0
    while (most_rounds is None or rounds < most_rounds) and time.monotonic() < until:
        gone = (
            rounds / most_rounds if most_rounds is not None else (time.monotonic() - begun) / max(until - begun, 1e-6)
        )
        warmth = 0.0005 * best_cost * max(0.0, 1.0 - 1.5 * gone)
        rounds += 1
        out = _chosen(now, index, rng, vehicles)
        before = [c for v in out for c in _visits(now, index, v)]
        for column in before:
            now.remove(column)
        order = _order(index, out, rng)
        added: list[int] = []
        is_priced = bool(rng.random() < 0.5)  # noqa: PLR2004
        for v in order:
            added += _put_in(now, index, v, is_priced=is_priced)
        gained = _worth(index, added, out) - _worth(index, before, out)
        if gained <= _NO_GAIN or (warmth > 0 and rng.random() < np.exp(-gained / warmth)):
            cost += gained
            if cost < best_cost - 1e-9:
                best, best_cost = sorted(now.visits.values()), cost
        else:
            for column in added:
                now.remove(column)
            for column in before:
                now.add(column)
    found = with_columns(index.problem, best)
    return found if found.cost() <= start.cost() else copy_of(start)


def _worth(index: Index, columns: Sequence[int], vehicles: Sequence[int]) -> float:
    """Give what some visits cost, with the jobs of their vehicles that they leave out."""
    done = {j for c in columns for j in index.problem.bundles[index.table.bundle[c]].jobs}
    left = (j for v in vehicles for j in index.jobs_of[v] if j not in done)
    return sum(index.table.cost[c] for c in columns) + sum(index.unplaced[j] for j in left)


def _visits(schedule: Schedule, index: Index, vehicle: int) -> list[int]:
    return sorted({schedule.by_job[j] for j in index.jobs_of[vehicle] if j in schedule.by_job})


def _chosen(schedule: Schedule, index: Index, rng: np.random.Generator, vehicles: Sequence[int]) -> list[int]:
    """Choose vehicles to take out: some that are near each other, or one and what stands where it would like to be."""
    problem = index.problem
    if schedule.visits and rng.random() < 0.5:  # noqa: PLR2004 as often the one as the other
        return _near(schedule, index, rng)
    first = int(rng.choice(vehicles))
    out = {first}
    size = int(rng.integers(2, _MOST_OUT + 1))
    liked = [c for i in index.bundles_of[first] for c in index.cheapest[i][0][:6].tolist()]
    rng.shuffle(liked)
    for column in liked:
        for s, _ in index.table.uses[column]:
            for other in schedule.at.get((index.table.bay[column], s), ()):
                out.add(problem.bundles[index.table.bundle[other]].vehicle)
        if len(out) >= size:
            break
    others = sorted(out - {first})
    return [first, *others[:_MOST_OUT]]


def _near(schedule: Schedule, index: Index, rng: np.random.Generator) -> list[int]:
    """Choose vehicles whose visits are near any one in time, in any bay, and now and then one that is left out."""
    problem, table = index.problem, index.table
    visits = sorted(schedule.visits.values())
    middle = visits[int(rng.integers(len(visits)))]
    any_of_them = (1.5 * rng.random(len(visits))).tolist()
    distance = {
        c: abs(table.slot[c] - table.slot[middle]) + 0.5 * (table.bay[c] != table.bay[middle]) + chance
        for c, chance in zip(visits, any_of_them, strict=True)
    }
    near = sorted(visits, key=lambda c: distance[c])[: int(rng.integers(2, _MOST_OUT))]
    out = {problem.bundles[table.bundle[c]].vehicle for c in near}
    left = [j for j in range(problem.n_jobs) if j not in schedule.by_job]
    if left and rng.random() < 0.5:  # noqa: PLR2004
        out.add(index.vehicle_of[left[int(rng.integers(len(left)))]])
    return sorted(out)


def _order(index: Index, vehicles: Sequence[int], rng: np.random.Generator) -> list[int]:
    """Put vehicles in the order of one of the index's, or in any."""
    k = int(rng.integers(len(index.ranks) + 2))
    if k >= len(index.ranks):
        shuffled: list[int] = rng.permutation(vehicles).tolist()
        return shuffled
    rank = index.ranks[k]
    return sorted(vehicles, key=lambda v: rank[v])


def _put_in(schedule: Schedule, index: Index, vehicle: int, *, is_priced: bool) -> list[int]:
    """Put a vehicle's jobs in by the grouping that costs least, each group at its first place that fits."""
    best: tuple[float, list[int]] | None = None
    listed = index.dearest_hours_last if is_priced else index.cheapest
    for groups in index.partitions[vehicle]:
        added: list[int] = []
        for i in groups:
            jobs = index.problem.bundles[i].jobs
            column = first_that_fits(schedule, listed[i])
            if column is not None and index.table.cost[column] < sum(index.unplaced[j] for j in jobs):
                schedule.add(column)
                added.append(column)
            elif any(j in index.problem.pinned for j in jobs):
                break
        else:
            cost = _worth(index, added, [vehicle])
            if best is None or cost < best[0]:
                best = (cost, added)
        for column in added:
            schedule.remove(column)
    if best is None:
        return []
    for column in best[1]:
        schedule.add(column)
    return best[1]


def _partitions(jobs: Sequence[int], bundle_of: dict[Jobs, int]) -> Iterator[list[int]]:
    """Give every way to group a vehicle's jobs into visits of bundles that there are."""
    if not jobs:
        yield []
        return
    first, rest = jobs[0], jobs[1:]
    for k in range(1 << len(rest)):
        chosen = tuple(sorted((first, *(j for bit, j in enumerate(rest) if k >> bit & 1))))
        if (i := bundle_of.get(chosen)) is not None:
            left = [j for j in rest if j not in chosen]
            for others in _partitions(left, bundle_of):
                yield [i, *others]
