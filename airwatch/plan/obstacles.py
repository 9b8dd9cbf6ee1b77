"""What stands in the way of a place for a visit, in words. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from airwatch.plan.problem import Bundle, Problem, spans_of
from airwatch.plan.schedule import Schedule
from airwatch.plan.shop import is_in, is_open


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a visit can't have a place; ``nearness`` is greater the less stands in its way."""

    nearness: int
    says: str


def local(problem: Problem, t: datetime) -> str:
    """Write a time by the shop's clock."""
    at = t.replace(tzinfo=UTC).astimezone(ZoneInfo(problem.given.shop.time_zone))
    return f"{at:%a} {at.day} {at:%b %H:%M}"


def lasting(  # noqa: C901, PLR0911 one rule after the other, as they are looked at in the bay
    problem: Problem, bundle: Bundle, bay: int, slot: int
) -> Obstacle | None:
    """Say what rules a place out whatever else is planned; None if nothing does."""
    given = problem.given
    begins, name = given.slots[slot], given.shop.bay[bay].name
    vehicle = problem.vehicles[bundle.vehicle][1]
    jobs = given.jobs
    late = [(jobs["parts_here"][j], jobs["parts"][j]) for j in bundle.jobs]
    waiting = [one for one in late if one[0] is not None and one[0] > begins.start]
    skills = sorted({skill for j in bundle.jobs for skill in jobs["skills"][j]})
    tools = sorted({tool for j in bundle.jobs for tool in jobs["equipment"][j]})
    if missing := [tool for tool in tools if tool not in given.shop.bay[bay].equipment]:
        return Obstacle(0, f"{name} has no {_and(missing)}")
    if not is_open(given.shop.bay[bay], begins):
        return Obstacle(1, f"{name} is not to be had on {begins.day:%d %b}")
    if waiting:
        here, part = max(waiting)
        return Obstacle(2, f"{part or 'parts'} not here before {local(problem, here)}")
    if problem.away[bundle.vehicle, slot]:
        return Obstacle(3, f"{vehicle} is away")
    able = [one for one in given.shop.person if set(skills) <= set(one.skills)]
    if not able:
        return Obstacle(0, f"nobody at the shop has {_and(skills)}")
    if not any(is_in(one, begins) for one in able):
        return Obstacle(4, f"{_nobody(skills)} is in")
    uses = spans_of(problem, bay, slot, bundle.work_h)
    if uses is None:
        return Obstacle(5, f"{name} is booked, or shuts before {bundle.work_h:g} h of work are done")
    last = uses[-1][0]
    if any(not any(is_in(one, given.slots[s]) for one in able) for s, _ in uses):
        return Obstacle(5, f"{_nobody(skills)} is in for all of it")
    if last > slot and _is_away(problem, bundle.vehicle, slot, last):
        return Obstacle(5, f"{vehicle} is away before {bundle.work_h:g} h of work are done")
    elsewhere = [problem.taken.get((bundle.vehicle, s), {bay}) for s in range(slot, last + 1)]
    if any(bays != {bay} for bays in elsewhere):
        return Obstacle(5, f"{vehicle} has an appointment in another bay")
    return None


def passing(schedule: Schedule, column: int, wanted: Bundle) -> Obstacle | None:
    """Say what other visits are in the way of a place; None if none are. The visit itself is not in the schedule."""
    problem = schedule.problem
    table = problem.columns.table
    bay = table.bay[column]
    name = problem.given.shop.bay[bay].name
    if schedule.is_elsewhere(column):
        return Obstacle(6, f"{problem.vehicles[wanted.vehicle][1]} is in another bay")
    if not schedule.has_room(column):
        there = {c for s, _ in table.uses[column] for c in schedule.at.get((bay, s), ())}
        return Obstacle(7, f"{name} is taken by {_vehicles(problem, there)}")
    if not schedule.can_staff(column):
        skills = sorted({skill for j in wanted.jobs for skill in problem.given.jobs["skills"][j]})
        return Obstacle(6, f"{_nobody(skills)} is left for {name}")
    return None


def _is_away(problem: Problem, vehicle: int, slot: int, last: int) -> bool:
    start, end = problem.given.slots[slot].start, problem.given.slots[last].end
    fleet, name = problem.vehicles[vehicle]
    spells = problem.given.unit_times.filter(fleet=fleet, vehicle=name, state="away")
    return any(row["start"] < end and row["end"] > start for row in spells.iter_rows(named=True))


def _vehicles(problem: Problem, columns: Iterable[int]) -> str:
    table = problem.columns.table
    names = sorted({problem.vehicles[problem.bundles[table.bundle[c]].vehicle][1] for c in columns})
    return _and(names) if names else "an appointment"


def _nobody(skills: list[str]) -> str:
    return f"nobody who has {_and(skills)}" if skills else "nobody"


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
