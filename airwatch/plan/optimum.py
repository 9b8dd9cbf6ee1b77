"""The best plan and how far it can be from the optimum, by mixed-integer programming (HiGHS through scipy). Pure."""

import time
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array

from airwatch.plan.bound import lagrangian_bound
from airwatch.plan.problem import TIGHT, Floats, Problem
from airwatch.plan.schedule import Schedule
from airwatch.plan.search import Hints, Index, greedy, improve

Bools = npt.NDArray[np.bool_]

_RELAXED_SHARE = 0.6
"""Of the time, for the linear relaxation: on a machine that is too busy for it the search still has some."""


@dataclass(frozen=True, slots=True)
class Solved:
    """A plan and what is known of it.

    ``cost`` of it, ``bound`` that no plan costs less than, ``seconds`` taken, and what found it: `search` or `milp`.
    """

    schedule: Schedule
    cost: float
    bound: float
    seconds: float
    found_by: str

    @property
    def gap(self) -> float:
        """How far it can be from the optimum, as a share of its cost."""
        return 0.0 if self.cost <= 0 else max(0.0, (self.cost - self.bound) / self.cost)


@dataclass(frozen=True, slots=True)
class _Program:
    """Minimise ``cost @ x`` with ``low <= matrix @ x <= high`` and ``0 <= x <= upper``.

    Columns come first in ``x``, the rows of jobs first in ``matrix``; ``row_slot`` is the half day whose hours a row
    counts, -1 for rows that count none.
    """

    cost: Floats
    matrix: csr_array
    low: Floats
    high: Floats
    upper: Floats
    row_slot: npt.NDArray[np.int64]


def solve(problem: Problem, *, seconds: float | None = None, start: Schedule | None = None) -> Solved:
    """Look for the plan that costs least.

    The linear relaxation gives a bound and prices of hours and jobs. Greedy plans by those are improved by search.
    A Lagrangian relaxation sharpens the bound, and rules out every place that no plan better than the one at hand
    can use (nothing better is lost by it). Where few enough places are left HiGHS looks for the optimum among them;
    otherwise the search goes on. The best plan is given back, with the greatest of the bounds.

    Parameters
    ----------
    problem : Problem
        What to plan.
    seconds : float, optional
        For all of it; as `settings.toml` has it where nothing is said.
    start : Schedule, optional
        A plan to begin with, beside the greedy ones.

    Raises
    ------
    PlanError
        Fixed places contradict each other.
    """
    by = problem.settings.solve
    begun = time.monotonic()
    allowed = by.seconds if seconds is None else seconds
    end = begun + allowed
    if problem.n_jobs == 0:
        return Solved(Schedule(problem), 0.0, 0.0, 0.0, "search")
    program = _program(problem)
    relaxed = _relaxed(program, problem, _RELAXED_SHARE * allowed)
    index = Index(problem, None if relaxed is None else relaxed.hints)
    best = greedy(index)
    if start is not None and start.cost() < best.cost():
        best = start
    best = improve(best, index, until=min(time.monotonic() + by.search_share * allowed, end), seed=by.seed)
    found_by, bound = "search", _plain_bound(problem)
    if relaxed is not None:
        until = time.monotonic() + by.bound_share * allowed
        sharper = lagrangian_bound(
            problem, relaxed.hints.prices, relaxed.hour_prices, cost=best.cost(), until=min(until, end)
        )
        bound = max(bound, relaxed.bound, sharper.bound)
        room = best.cost() - bound
        slack = TIGHT * max(1.0, best.cost())
        is_left = (sharper.reduced <= best.cost() - sharper.bound + slack) & (
            relaxed.hints.reduced <= best.cost() - relaxed.bound + slack
        )
        left_s = end - time.monotonic()
        if room > by.gap * best.cost() and left_s > 0 and int(is_left.sum()) <= by.most_places:
            columns, lower = _integer(program, problem, is_left, left_s, by.gap)
            bound = max(bound, min(lower, best.cost()))
            found = None if columns is None else _schedule(problem, columns)
            if found is not None and found.cost() < best.cost() - slack:
                best, found_by = found, "milp"
    if best.cost() - bound > by.gap * best.cost() and end > time.monotonic():
        better = improve(best, index, until=end, seed=by.seed + 1)
        if better.cost() < best.cost() - TIGHT * max(1.0, best.cost()):
            best, found_by = better, "search"
    return Solved(best, best.cost(), min(bound, best.cost()), time.monotonic() - begun, found_by)


def _plain_bound(problem: Problem) -> float:
    """Give what the jobs cost if each had its cheapest place and no visit disturbed anybody; it needs no time."""
    least = problem.unplaced.copy()
    table = problem.columns.table
    for i, slot in zip(table.bundle, table.slot, strict=True):
        for j in problem.bundles[i].jobs:
            least[j] = min(least[j], problem.risk[j, slot])
    return float(least.sum())


def _schedule(problem: Problem, columns: list[int]) -> Schedule | None:
    """Put columns into a schedule, which checks each of them once more; None if they don't fit after all."""
    schedule = Schedule(problem)
    for column in columns:
        if not schedule.fits(column):
            return None
        schedule.add(column)
    return schedule


@dataclass(frozen=True, slots=True)
class _Relaxed:
    """The solved relaxation; ``hour_prices`` says for each use of a column what its hours cost there."""

    bound: float
    hints: Hints
    hour_prices: Floats


def _relaxed(program: _Program, problem: Problem, seconds: float) -> _Relaxed | None:
    """Solve the linear relaxation; None where the time was too short."""
    is_equal = program.low == program.high
    found = linprog(
        program.cost,
        A_ub=program.matrix[~is_equal],
        b_ub=program.high[~is_equal],
        A_eq=program.matrix[is_equal],
        b_eq=program.high[is_equal],
        bounds=np.column_stack([np.zeros_like(program.upper), program.upper]),
        method="highs",
        options={"time_limit": seconds},
    )
    if found.status != 0:
        return None
    n, n_jobs = problem.columns.cost.size, problem.n_jobs
    n_slots = len(problem.given.slots)
    duals = np.zeros(program.low.size)
    duals[is_equal], duals[~is_equal] = found.eqlin.marginals, found.ineqlin.marginals
    x = np.asarray(found.x)
    does = program.matrix[:n_jobs, :n]
    starts = does @ (x[:n] * problem.columns.slot) + x[n : n + n_jobs] * n_slots
    reduced = np.maximum(np.asarray(found.lower.marginals)[:n], 0.0)
    return _Relaxed(
        float(found.fun), Hints(reduced, duals[:n_jobs], starts), _hour_prices(program, problem, duals, n_slots)
    )


def _hour_prices(program: _Program, problem: Problem, duals: Floats, n_slots: int) -> Floats:
    """Give for each use of a column what the rows that count its hours charge for them."""
    columns = problem.columns
    n = columns.cost.size
    entries = program.matrix[:, :n].tocoo()
    slot = program.row_slot[entries.row]
    counts = slot >= 0
    key = entries.col[counts].astype(np.int64) * n_slots + slot[counts]
    wanted = np.repeat(np.arange(n), np.diff(columns.use_from)) * n_slots + columns.use_slot  # rises all through
    paid = -duals[entries.row[counts]] * entries.data[counts]
    prices: Floats = np.bincount(np.searchsorted(wanted, key), weights=paid, minlength=wanted.size).astype(np.float64)
    return prices


def _integer(
    program: _Program, problem: Problem, keep: Bools, seconds: float, gap: float
) -> tuple[list[int] | None, float]:
    """Solve what is left; give the columns chosen, None if none were found, and the bound on what is left."""
    n = problem.columns.cost.size
    chosen = np.flatnonzero(np.concatenate([keep, np.ones(program.cost.size - n, dtype=bool)]))
    matrix = program.matrix[:, chosen]
    found = milp(
        program.cost[chosen],
        integrality=np.ones(chosen.size),
        bounds=Bounds(0.0, program.upper[chosen]),
        constraints=LinearConstraint(matrix, program.low, program.high),
        options={"time_limit": seconds, "mip_rel_gap": gap},
    )
    lower = -np.inf if found.mip_dual_bound is None else float(found.mip_dual_bound)
    if found.status == 2:  # noqa: PLR2004 infeasible: nothing that is left is better than the plan at hand
        lower = np.inf
    if found.x is None:
        return None, lower
    picked = chosen[found.x > 0.5]  # noqa: PLR2004 of 0 or 1
    return [int(c) for c in picked if c < n], lower


class _Rows:
    """Rows of a sparse matrix in the making."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.slot: list[int] = []

    def add(self, columns: list[int], values: list[float], low: float, high: float, slot: int = -1) -> None:
        self.row += [len(self.low)] * len(columns)
        self.column += columns
        self.value += values
        self.low.append(low)
        self.high.append(high)
        self.slot.append(slot)


def _program(problem: Problem) -> _Program:
    """Write the problem as an integer program.

    Variables are the columns, one for each job that is left out, and one for each group of people with the same skills,
    bay and half day: whether one of them works there then. DEVELOPERS.md writes the rows out.
    """
    columns, bundles = problem.columns, problem.bundles
    n, n_jobs = columns.cost.size, problem.n_jobs
    rows = _Rows()
    of_job: dict[int, list[int]] = defaultdict(list)
    at: dict[tuple[int, int], list[tuple[int, float]]] = defaultdict(list)
    stands: dict[tuple[int, int], list[int]] = defaultdict(list)
    several = {b.vehicle for b in bundles if len(b.jobs) > 1}
    for c, (i, bay, slot, last) in enumerate(
        zip(columns.bundle.tolist(), columns.bay.tolist(), columns.slot.tolist(), columns.last.tolist(), strict=True)
    ):
        for j in bundles[i].jobs:
            of_job[j].append(c)
        for s, h in columns.table.uses[c]:
            at[bay, s].append((c, h))
        if bundles[i].vehicle in several:
            for s in range(slot, last + 1):
                stands[bundles[i].vehicle, s].append(c)
    for j in range(n_jobs):
        rows.add([*of_job[j], n + j], [1.0] * (len(of_job[j]) + 1), 1.0, 1.0)
    capacity = problem.capacity_h
    for (bay, s), uses in sorted(at.items()):
        rows.add([c for c, _ in uses], [h for _, h in uses], -np.inf, float(capacity[bay, s]), s)
    for _, cs in sorted(stands.items()):
        if len(cs) > 1:
            rows.add(cs, [1.0] * len(cs), -np.inf, 1.0)
    people = _People(problem, at, n + n_jobs)
    people.add_rows(rows)
    size = n + n_jobs + people.size
    upper = np.ones(size)
    upper[[n + j for j in problem.pinned]] = 0.0
    return _Program(
        np.concatenate([columns.cost, problem.unplaced, np.zeros(people.size)]),
        csr_array((rows.value, (rows.row, rows.column)), shape=(len(rows.low), size)),
        np.array(rows.low),
        np.array(rows.high),
        upper,
        np.array(rows.slot, dtype=np.int64),
    )


class _People:
    """Who works where, as far as it can be short: half days in which there are enough who can do all need no rows."""

    def __init__(self, problem: Problem, at: dict[tuple[int, int], list[tuple[int, float]]], first: int) -> None:
        self._problem = problem
        self._at = at
        self._number: dict[tuple[int, int, int], int] = {}
        self._groups: dict[int, dict[int, int]] = {}
        skills = [bundle.skills for bundle in problem.bundles]
        self._need = [skills[i] for i in problem.columns.bundle.tolist()]
        all_needs = 0
        for mask in skills:
            all_needs |= mask
        bays_in: dict[int, list[int]] = defaultdict(list)
        for bay, s in sorted(at):
            bays_in[s].append(bay)
        for s, bays in bays_in.items():
            masks = [
                mask & all_needs for mask, is_in in zip(problem.people, problem.present[:, s], strict=True) if is_in
            ]
            if sum(mask == all_needs for mask in masks) >= len(bays):
                continue
            self._groups[s] = {mask: masks.count(mask) for mask in sorted(set(masks))}
            for bay in bays:
                for mask in self._groups[s]:
                    self._number[s, bay, mask] = first + len(self._number)

    @property
    def size(self) -> int:
        return len(self._number)

    def add_rows(self, rows: _Rows) -> None:
        """Add that nobody is at two bays, that a bay has one of them, and that they can do what is done there."""
        capacity = self._problem.capacity_h
        bays_in: dict[int, list[int]] = defaultdict(list)
        for s, bay, _ in self._number:
            if bay not in bays_in[s]:
                bays_in[s].append(bay)
        for s, groups in self._groups.items():
            for mask, count in groups.items():
                here = [self._number[s, bay, mask] for bay in bays_in[s]]
                rows.add(here, [1.0] * len(here), -np.inf, float(count))
            for bay in bays_in[s]:
                here = [self._number[s, bay, mask] for mask in groups]
                rows.add(here, [1.0] * len(here), -np.inf, 1.0)
                room = float(capacity[bay, s])
                uses = self._at[bay, s]
                for needs in _unions(sorted({self._need[c] for c, _ in uses})):
                    mine = [(c, h) for c, h in uses if self._need[c] in needs]
                    able = [mask for mask in groups if any(mask & need == need for need in needs)]
                    rows.add(
                        [*(c for c, _ in mine), *(self._number[s, bay, mask] for mask in able)],
                        [*(h for _, h in mine), *([-room] * len(able))],
                        -np.inf,
                        0.0,
                        s,
                    )


def _unions(needs: list[int]) -> list[frozenset[int]]:
    """Give each need, and while there are few of them each union: those make the relaxation tighter."""
    sizes = range(1, len(needs) + 1) if len(needs) <= 4 else (1, len(needs))  # noqa: PLR2004
    return [frozenset(group) for size in sizes for group in combinations(needs, size)]
