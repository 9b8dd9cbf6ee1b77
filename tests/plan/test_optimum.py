"""Optimal plans: every plan of tiny cases tried, worked examples of scheduling, and what must hold of any plan."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
import polars as pl
import pytest

from airwatch.errors import PlanError
from airwatch.plan.bound import lagrangian_bound
from airwatch.plan.make import make_plan, move
from airwatch.plan.make import places as places_of
from airwatch.plan.optimum import _plain_bound, solve
from airwatch.plan.problem import Problem, state_problem
from airwatch.plan.search import Index, earliest_due, first_come, improve
from airwatch.plan.settings import shipped_settings
from airwatch.plan.shop import Bay, Person
from tests.plan.shops import Shape, draw
from tests.plan.small import ALWAYS, MORNING, NOON, day, given, job, places, settings, shop


def feasible(problem: Problem, chosen: Sequence[int]) -> bool:
    """Tell whether columns can be kept together; plain on purpose, and with nothing of the program's own."""
    table, bundles = problem.columns.table, problem.bundles
    jobs = [j for c in chosen for j in bundles[table.bundle[c]].jobs]
    if len(jobs) != len(set(jobs)):
        return False
    for s in range(len(problem.given.slots)):
        here = [c for c in chosen if table.slot[c] <= s <= table.last[c]]
        vehicles = [bundles[table.bundle[c]].vehicle for c in here]
        if len(vehicles) != len(set(vehicles)):
            return False
        hours, skills = {}, {}
        for c in here:
            for used, h in table.uses[c]:
                if used == s:
                    bay = table.bay[c]
                    hours[bay] = hours.get(bay, 0.0) + h
                    skills[bay] = skills.get(bay, 0) | bundles[table.bundle[c]].skills
        if any(h > problem.capacity_h[bay, s] + 1e-6 for bay, h in hours.items()):
            return False
        people = [mask for mask, is_in in zip(problem.people, problem.present[:, s], strict=True) if is_in]
        ways = permutations(people, len(skills))
        if not any(all(p & need == need for p, need in zip(way, skills.values(), strict=True)) for way in ways):
            return False
    return True


def every_plan(problem: Problem) -> Iterator[tuple[float, list[int]]]:
    """Give every plan there is, with what it costs."""
    table = problem.columns.table
    of_job = {
        j: [c for c, i in enumerate(table.bundle) if j == problem.bundles[i].jobs[0]] for j in range(problem.n_jobs)
    }

    def go(j: int, chosen: list[int], cost: float) -> Iterator[tuple[float, list[int]]]:
        if j == problem.n_jobs:
            yield cost, chosen
            return
        if any(j in problem.bundles[table.bundle[c]].jobs for c in chosen):
            yield from go(j + 1, chosen, cost)
            return
        if j not in problem.pinned:
            yield from go(j + 1, chosen, cost + float(problem.unplaced[j]))
        for c in of_job[j]:
            if feasible(problem, [*chosen, c]):
                yield from go(j + 1, [*chosen, c], cost + table.cost[c])

    return go(0, [], 0.0)


TINY = [
    Shape(n_jobs=4, n_bays=1, n_people=1, days=1, share_beyond=0.6),
    Shape(n_jobs=5, n_bays=2, n_people=1, days=1, share_beyond=0.5, jobs_a_unit=2.5),
    Shape(n_jobs=4, n_bays=2, n_people=2, days=2, is_scarce=True, jobs_a_unit=2.0, n_appointments=2),
    Shape(n_jobs=4, n_bays=3, n_people=2, days=1, is_scarce=True, has_campaign=True),
]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("shape", TINY)
def test_tiny_plans_are_the_best_of_all(shape: Shape, seed: int) -> None:
    problem = state_problem(draw(seed, shape), shipped_settings())
    best = min(cost for cost, _ in every_plan(problem))
    solved = solve(problem, seconds=5.0)
    assert feasible(problem, solved.schedule.chosen())
    assert solved.cost == pytest.approx(best, rel=2e-3)  # the gap at which it ends
    assert solved.bound <= best + 1e-6
    assert solved.cost == pytest.approx(solved.schedule.cost())


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("shape", TINY)
def test_the_bound_holds_and_rules_out_no_place_of_a_better_plan(shape: Shape, seed: int) -> None:
    """Any plan with a column costs at least the bound and what is said of that column, at whatever prices."""
    problem = state_problem(draw(seed, shape), shipped_settings())
    plans = list(every_plan(problem))
    best = min(cost for cost, _ in plans)
    best_with = np.full(problem.columns.cost.size, np.inf)
    for cost, chosen in plans:
        best_with[chosen] = np.minimum(best_with[chosen], cost)
    rng = np.random.default_rng(seed)
    for prices in (problem.unplaced, 0.5 * problem.unplaced, problem.unplaced * rng.random(problem.n_jobs)):
        hours = rng.random(problem.columns.use_h.size)
        found = lagrangian_bound(problem, prices, hours, cost=best, until=np.inf, most_steps=20)
        assert found.bound <= best + 1e-6
        assert (found.bound + found.reduced <= best_with + 1e-6).all()


def one_machine(work: Sequence[int], **columns: Sequence[object]) -> Problem:
    """State a single machine that never rests: jobs take whole days, one after the other."""
    rows = [
        job(f"{k + 1}", work_h=24.0 * p, **{name: values[k] for name, values in columns.items()})
        for k, p in enumerate(work)
    ]
    by = settings(disturbs=False, visit_h=0.0, longest_visit_half_days=sum(work))
    place = shop(hours=ALWAYS)
    case = given(*rows, at=place, days=sum(work) + 1)
    return state_problem(case, by)


def sequence(problem: Problem, columns: Sequence[int]) -> list[int]:
    table = problem.columns.table
    return [problem.bundles[table.bundle[c]].jobs[0] + 1 for c in sorted(columns, key=lambda c: table.slot[c])]


def test_weighted_completion_on_one_machine_follows_smiths_rule() -> None:
    """1||sum w C is solved by falling w / p: W. E. Smith, Naval Research Logistics Quarterly 3 (1956) 59-66.

    The figures and the answer, 2-5-1-4-6-3 with a sum of 961, are exercise 1 of C. Filippi, Computational Methods,
    University of Brescia, 2023/2024.
    """
    p, w = np.array([10, 5, 6, 8, 8, 10]), np.array([8.0, 5, 4, 6, 7, 7])
    stated = one_machine(p.tolist())
    starts = np.arange(len(stated.given.slots) + 1)
    risk = w[:, None] * starts[None, :]
    risk[:, -1] = 1e4
    problem = state_problem(stated.given, stated.settings, risk)
    solved = solve(problem, seconds=20.0)
    assert sequence(problem, solved.schedule.chosen()) == [2, 5, 1, 4, 6, 3]
    assert solved.cost + float(w @ p) == pytest.approx(961.0)  # starts cost; ends are later by p
    assert solved.bound == pytest.approx(solved.cost, rel=1e-3)


def test_earliest_due_date_on_one_machine() -> None:
    """Exercise 3 of the same: the sequence is 3-2-1-5-4 and the greatest lateness 3."""
    p, due = [5, 6, 7, 5, 4], [20, 10, 8, 25, 21]
    problem = one_machine(p, due=[day(d - 7 / 24) for d in due], due_for=["x"] * 5, is_beyond=[False] * 5)
    schedule = earliest_due(Index(problem))
    assert sequence(problem, schedule.chosen()) == [3, 2, 1, 5, 4]
    table = problem.columns.table
    first = problem.given.slots[0].start
    lateness = [
        (problem.given.slots[table.last[c]].end - first).days - due[problem.bundles[table.bundle[c]].jobs[0]]
        for c in schedule.chosen()
    ]
    assert max(lateness) == 3


@pytest.mark.parametrize("seed", range(3))
def test_no_plan_is_worse_than_the_simple_ones_and_none_beats_the_bound(seed: int) -> None:
    shape = Shape(n_jobs=30, n_bays=2, n_people=2, days=5, has_campaign=True, n_appointments=4, is_scarce=seed == 1)
    problem = state_problem(draw(seed, shape), shipped_settings())
    solved = solve(problem, seconds=2.0)
    index = Index(problem)
    for simple in (earliest_due(index), first_come(index)):
        assert feasible(problem, simple.chosen())
        assert solved.cost <= simple.cost() + 1e-9
        assert solved.bound <= simple.cost() + 1e-9
    assert feasible(problem, solved.schedule.chosen())
    longer = improve(solved.schedule, index, until=np.inf, seed=7, most_rounds=300)
    assert solved.bound <= longer.cost() + 1e-9


def test_without_time_there_is_a_plan_and_a_bound_still() -> None:
    problem = state_problem(draw(1, Shape(n_jobs=60, n_bays=2, n_people=2, days=7)), shipped_settings())
    solved = solve(problem, seconds=0.0)
    assert feasible(problem, solved.schedule.chosen())
    assert 0.0 < solved.bound <= solve(problem, seconds=2.0).cost
    assert solved.cost <= min(earliest_due(Index(problem)).cost(), first_come(Index(problem)).cost())


@pytest.mark.parametrize("seed", range(3))
def test_the_plain_bound_holds(seed: int) -> None:
    problem = state_problem(draw(seed, TINY[2]), shipped_settings())
    assert _plain_bound(problem) <= min(cost for cost, _ in every_plan(problem)) + 1e-9


def test_the_same_rounds_give_the_same_plan() -> None:
    problem = state_problem(draw(2, Shape(n_jobs=30, n_bays=2, n_people=2, days=5)), shipped_settings())
    index = Index(problem)
    first, second = (
        improve(first_come(index), index, until=np.inf, seed=3, most_rounds=100).chosen() for _ in range(2)
    )
    assert first == second


def test_jobs_of_one_unit_come_together_and_those_that_wait_for_parts_do_not_hold_up_the_rest() -> None:
    plan = make_plan(
        given(job("a", "K-1"), job("b", "K-1"), job("c", "K-1", parts_here=day(2), severity="low")), seconds=1
    )
    assert plan.visits["jobs"].to_list() == [["a", "b"], ["c"]]
    assert plan.visits["slot"].to_list() == [MORNING, day(2)]


def test_visits_lie_one_after_the_other_within_the_free_hours_of_their_bay() -> None:
    booked = pl.DataFrame(
        [("x", "bay 1", MORNING, MORNING.replace(hour=9), None, None, "hoist inspected")],
        schema=given().appointments.schema, orient="row",
    )  # fmt: skip
    plan = make_plan(given(job("a"), job("b", severity="high"), job("c"), appointments=booked), seconds=1)
    assert plan.visits.filter(slot=MORNING)["start"].min() == MORNING.replace(hour=9)
    ordered = plan.visits.sort("start")
    assert (ordered["end"].head(2) <= ordered["start"].tail(2)).all()
    assert ordered["jobs"].to_list()[0] == ["b"]


def test_long_work_goes_on_in_the_next_half_day() -> None:
    plan = make_plan(given(job("a", work_h=6.0)), seconds=1)
    assert plan.visits.select("start", "end").row(0) == (MORNING, NOON.replace(hour=14, minute=0))


def test_work_is_not_split_over_days_on_which_the_unit_is_away_or_nobody_is_in() -> None:
    friday = day(4)
    place = shop(person=(Person("R. Okafor", works=("monday", "friday")),))
    plan = make_plan(given(job("a", work_h=12.0), at=place, days=5), seconds=1)
    assert "no place within the plan would do" in plan.reasons["why"][0]
    assert make_plan(given(job("a", work_h=9.0), at=place, days=5), seconds=1).visits["slot"].to_list() == [MORNING]
    assert friday.weekday() == 4


def test_one_person_works_at_one_bay_in_a_half_day() -> None:
    place = shop(bay=(Bay("bay 1"), Bay("bay 2")), person=(Person("A", ("abs",)), Person("B")))
    jobs = [job(f"{k}", skills=["abs"], work_h=4.0) for k in range(3)]
    plan = make_plan(given(*jobs, job("x", work_h=4.0), at=place), seconds=1)
    abs_jobs = plan.visits.filter(pl.col("jobs").list.first().is_in(["0", "1", "2"]))
    assert abs_jobs["slot"].n_unique() == 3
    assert abs_jobs["people"].to_list() == [["A"]] * 3


def test_a_move_is_kept_and_the_others_make_room() -> None:
    case = given(job("a", severity="high"), job("b", work_h=4.5), job("c", work_h=4.0))
    first = make_plan(case, seconds=1)
    assert first.visits.filter(pl.col("jobs").list.contains("b"))["slot"].item() != MORNING
    moved = move(replace(case, before=places_of(first)), ["b"], "bay 1", MORNING, seconds=1)
    at = dict(zip(moved.reasons["job"], moved.reasons["slot"], strict=True))
    assert at["b"] == MORNING
    assert at["a"] == NOON
    assert moved.reasons.filter(job="b")["why"].item().count("somebody fixed it there") == 1
    assert moved.cost >= first.cost


def test_an_adapted_plan_keeps_what_need_not_move() -> None:
    case = given(*(job(f"{k}", work_h=4.0, severity="low") for k in range(4)), days=5)
    before = places(("0", "bay 1", day(3)), ("1", "bay 1", day(1)), ("2", "bay 1", day(2)), ("3", "bay 1", day(4)))
    heavy = settings()
    stay = make_plan(replace(case, before=before), heavy, seconds=1)
    free = make_plan(case, heavy, seconds=1)
    n_moved = stay.reasons.join(before, on="job").filter(pl.col("slot") != pl.col("start")).height
    n_free = free.reasons.join(before, on="job").filter(pl.col("slot") != pl.col("start")).height
    assert n_moved < n_free


@pytest.mark.parametrize(
    ("other", "bay", "start", "says"),
    [
        ({"parts_here": day(1), "parts": "drain valve"}, "bay 1", MORNING, "drain valve not here before Tue 4 Mar"),
        ({"equipment": ["pit"]}, "bay 1", MORNING, "bay 1 has no pit"),
        ({"skills": ["abs"]}, "bay 1", MORNING, "nobody at the shop has abs"),
        ({}, "bay 9", MORNING, "there is no bay 'bay 9'; the shop has bay 1"),
        ({}, "bay 1", MORNING.replace(hour=8), "no half day begins at .*08:00Z; the nearest begins at .*07:00Z"),
    ],
)  # fmt: skip
def test_a_move_that_can_not_be_is_refused_with_the_reason(
    other: dict[str, object], bay: str, start: object, says: str
) -> None:
    with pytest.raises(PlanError, match=f"^job a.*: {says}"):
        move(given(job("a", **other)), ["a"], bay, start, seconds=1)  # type: ignore[arg-type]


def test_a_move_on_top_of_what_is_fixed_is_refused() -> None:
    case = given(job("a", work_h=4.0), job("b", work_h=3.0), pins=places(("a", "bay 1", MORNING)))
    with pytest.raises(
        PlanError, match=r"^job b: bay 1 at 2031-03-03 07:00Z has 0.5 h left beside what is fixed there"
    ):
        move(case, ["b"], "bay 1", MORNING, seconds=1)


def test_an_empty_plan() -> None:
    plan = make_plan(given(), seconds=1)
    assert plan.visits.is_empty()
    assert plan.reasons.is_empty()
    assert plan.gap == 0.0
