"""The plan: made, and changed by hand. Pure."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import polars as pl

from airwatch.errors import PlanError
from airwatch.plan.explain import explain
from airwatch.plan.frames import PLACES, REASONS, VISITS
from airwatch.plan.obstacles import lasting
from airwatch.plan.optimum import Solved, solve
from airwatch.plan.problem import Given, Problem, state_problem
from airwatch.plan.schedule import Schedule
from airwatch.plan.search import Index
from airwatch.plan.settings import PlanSettings, shipped_settings


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan.

    ``visits`` and ``reasons`` have the columns of `VISITS` and `REASONS`. ``risk`` is that of waiting, ``cost`` with
    the disturbance, both in the measure of `settings.toml`; no plan costs less than ``bound``. ``found_by`` says which
    way it was found.
    """

    begin: datetime
    end: datetime
    visits: pl.DataFrame
    reasons: pl.DataFrame
    risk: float
    cost: float
    bound: float
    seconds: float
    found_by: str

    @property
    def gap(self) -> float:
        """How far it can be from the best plan, as a share of its cost."""
        return 0.0 if self.cost <= 0 else max(0.0, (self.cost - self.bound) / self.cost)


def make_plan(given: Given, settings: PlanSettings | None = None, *, seconds: float | None = None) -> Plan:
    """Make a plan.

    Parameters
    ----------
    given : Given
        What it is made from.
    settings : PlanSettings, optional
        What is weighed against what; the shipped weights by default.
    seconds : float, optional
        How long a better plan is looked for.

    Raises
    ------
    FrameError, PlanError
        What is given can't be planned with, or fixed places can't be kept; the text says why.
    """
    by = settings or shipped_settings()
    begun = time.monotonic()
    problem = state_problem(given, by)
    _check_pins(problem)
    left = (by.solve.seconds if seconds is None else seconds) - (time.monotonic() - begun)
    solved = solve(problem, seconds=max(left, 0.0))
    return _plan(problem, solved)


def move(
    given: Given,
    jobs: Sequence[str],
    bay: str,
    start: datetime,
    settings: PlanSettings | None = None,
    *,
    seconds: float | None = None,
) -> Plan:
    """Put jobs where somebody wants them, and let the others make room.

    The rest is planned anew with less regard for where it was (`settings.toml`, `adapting`); ``given.before``
    says where, and what was fixed before stays fixed.

    Parameters
    ----------
    given : Given
        What the plan is made from.
    jobs : sequence of str
        One, or several of one vehicle.
    bay : str
        Which bay.
    start : datetime
        The begin of its half day, UTC without a zone.
    settings, seconds : optional
        As for `make_plan`.

    Raises
    ------
    PlanError
        The jobs can't be there; the text says why. Nothing is changed.
    """
    wanted = pl.DataFrame([(job, bay, start) for job in jobs], schema=PLACES, orient="row")
    others = given.pins.filter(~pl.col("job").is_in(list(jobs)))
    return make_plan(replace(given, pins=pl.concat([others, wanted]), is_adapting=True), settings, seconds=seconds)


def places(plan: Plan) -> pl.DataFrame:
    """Give where each job of a plan is; columns as `PLACES`."""
    return plan.reasons.drop_nulls("slot").select("job", "bay", start="slot").cast(PLACES)


def _check_pins(problem: Problem) -> None:
    """Refuse fixed places that can't be kept whatever else is planned.

    Raises
    ------
    PlanError
        Which job, and why.
    """
    for j, (bay, slot) in problem.pinned.items():
        alone = next(bundle for bundle in problem.bundles if bundle.jobs == (j,))
        if (found := lasting(problem, alone, bay, slot)) is not None:
            job, vehicle = problem.given.jobs["job"][j], problem.vehicles[alone.vehicle][1]
            raise PlanError(f"job {job} ({vehicle}): {found.says}; choose another place")


def _plan(problem: Problem, solved: Solved) -> Plan:
    given = problem.given
    return Plan(
        given.begin,
        given.slots[-1].end,
        _visits(problem, solved.schedule),
        explain(solved.schedule, Index(problem)) if problem.n_jobs else pl.DataFrame(schema=REASONS),
        solved.schedule.risk(),
        solved.cost,
        solved.bound,
        solved.seconds,
        solved.found_by,
    )


def _visits(problem: Problem, schedule: Schedule) -> pl.DataFrame:
    """Give the visits with their times: in each half day what goes on from before comes first, then the most urgent."""
    given, table = problem.given, problem.columns.table
    people = {s: schedule.people_at(s) for s in range(len(given.slots))}
    first_h: dict[int, float] = {}
    last_h: dict[int, float] = {}
    for (bay, s), columns in sorted(schedule.at.items()):
        at = float(problem.free_from[bay, s])

        def urgency(c: int, s: int = s) -> tuple[bool, float, int]:
            jobs = problem.bundles[table.bundle[c]].jobs
            a_day = sum(problem.unplaced[j] - problem.risk[j, s] for j in jobs)
            return table.slot[c] == s, -a_day / problem.bundles[table.bundle[c]].work_h, c

        for c in sorted(columns, key=urgency):
            hours = next(h for used, h in table.uses[c] if used == s)
            first_h.setdefault(c, at)
            at += hours
            last_h[c] = at
    rows = []
    for k, c in enumerate(schedule.chosen()):
        bundle = problem.bundles[table.bundle[c]]
        fleet, vehicle = problem.vehicles[bundle.vehicle]
        begins, ends = given.slots[table.slot[c]], given.slots[table.last[c]]
        who = dict.fromkeys(given.shop.person[people[s][table.bay[c]]].name for s, _ in table.uses[c])
        rows.append(
            {
                "visit": k,
                "fleet": fleet,
                "vehicle": vehicle,
                "jobs": [given.jobs["job"][j] for j in bundle.jobs],
                "bay": given.shop.bay[table.bay[c]].name,
                "slot": begins.start,
                "start": begins.start + timedelta(hours=first_h[c]),
                "end": ends.start + timedelta(hours=last_h[c]),
                "work_h": bundle.work_h,
                "people": list(who),
            }
        )
    return pl.DataFrame(rows, schema=VISITS)
