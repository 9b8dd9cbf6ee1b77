"""Which places a visit may have."""

from dataclasses import replace
from datetime import datetime

import polars as pl
import pytest

from airwatch.errors import FrameError, PlanError
from airwatch.plan.frames import APPOINTMENTS
from airwatch.plan.make import make_plan
from airwatch.plan.obstacles import lasting
from airwatch.plan.problem import Given, state_problem
from airwatch.plan.settings import shipped_settings
from airwatch.plan.shop import Bay, Person
from tests.plan.shops import Shape, draw
from tests.plan.small import BEGIN, MORNING, NOON, day, given, job, places, shop, times


@pytest.mark.parametrize("seed", range(4))
def test_a_place_is_there_exactly_where_nothing_is_said_to_be_in_its_way(seed: int) -> None:
    """Arrays and words are two readings of the same rules."""
    shape = Shape(n_jobs=25, n_bays=3, n_people=3, days=7, is_scarce=True, n_appointments=8, share_away=0.5)
    problem = state_problem(draw(seed, shape), shipped_settings())
    table = problem.columns.table
    there = set(zip(table.bundle, table.bay, table.slot, strict=True))
    for i, bundle in enumerate(problem.bundles):
        for bay in range(3):
            for slot in range(len(problem.given.slots)):
                assert (lasting(problem, bundle, bay, slot) is None) == ((i, bay, slot) in there)


def starts(*jobs: dict[str, object], **other: object) -> list[object]:
    problem = state_problem(given(*jobs, **other), shipped_settings())  # type: ignore[arg-type]
    return [problem.given.slots[s].start for s in problem.columns.table.slot]


def test_away_and_parts_and_closed_bays_rule_places_out() -> None:
    assert starts(job("a")) == [
        MORNING,
        NOON,
        day(1),
        day(1).replace(hour=12, minute=30),
        day(2),
        day(2).replace(hour=12, minute=30),
    ]
    away = times(("K-a", BEGIN, day(1).replace(hour=8), "away"))
    assert starts(job("a"), unit_times=away)[0] == day(1).replace(hour=12, minute=30)
    assert starts(job("a", parts_here=MORNING.replace(minute=1)))[0] == NOON
    assert starts(job("a"), at=shop(bay=(Bay("bay 1", closed=(MORNING.date(),)),)))[0] == day(1)
    assert starts(job("a"), at=shop(person=(Person("A", off=(MORNING.date(),)),)))[0] == day(1)


def test_home_costs_nothing_and_being_called_in_does() -> None:
    home = times(("K-a", day(1), day(2), "home"))
    by = shipped_settings()
    problem = state_problem(given(job("a"), unit_times=home), by)
    disturbance = problem.columns.cost - problem.risk[0, problem.columns.slot]
    assert disturbance[2] == pytest.approx(by.disturbance.a_visit)
    assert disturbance[0] == pytest.approx(by.disturbance.a_visit + by.disturbance.called_in_half_day)


def test_a_vehicle_with_an_appointment_is_worked_on_in_its_bay_only() -> None:
    booked = pl.DataFrame(
        [("x", "bay 2", MORNING, MORNING.replace(hour=9), "north", "K-a", "yearly service")],
        schema=APPOINTMENTS, orient="row",
    )  # fmt: skip
    place = shop(bay=(Bay("bay 1"), Bay("bay 2")))
    problem = state_problem(given(job("a"), at=place, appointments=booked), shipped_settings())
    table = problem.columns.table
    assert [b for b, s in zip(table.bay, table.slot, strict=True) if s == 0] == [1]
    visit = make_plan(given(job("a"), at=place, appointments=booked), seconds=1).visits.row(0, named=True)
    assert (visit["bay"], visit["start"]) == ("bay 2", MORNING.replace(hour=9))


def test_the_longest_free_stretch_counts() -> None:
    booked = pl.DataFrame(
        [("x", "bay 1", MORNING.replace(hour=8), MORNING.replace(hour=9), None, None, "")],
        schema=APPOINTMENTS, orient="row",
    )  # fmt: skip
    problem = state_problem(given(job("a"), appointments=booked), shipped_settings())
    assert problem.capacity_h[0, 0] == pytest.approx(3.0)


def test_what_can_not_be_planned_with_is_refused() -> None:
    case = given(job("a"))

    def booked(bay: str, start: datetime, end: datetime) -> Given:
        return replace(
            case, appointments=pl.DataFrame([("x", bay, start, end, None, None, "")], schema=APPOINTMENTS, orient="row")
        )

    cases = [
        (replace(case, slots=[]), "the shop is not open in the days planned"),
        (given(job("a"), job("a")), "job a: stands twice"),
        (given(job("a", work_h=0.0)), "job a: work_h is 0.0; it must be above 0"),
        (given(job("a"), pins=places(("z", "bay 1", MORNING))), "job z: it is not among those to be planned"),
        (
            booked("7", MORNING, NOON),
            "appointment x: there is no bay '7'; the shop has bay 1",
        ),
        (
            booked("bay 1", NOON, MORNING),
            "appointment x: it ends before it starts",
        ),
    ]  # fmt: skip
    for one, says in cases:
        with pytest.raises(PlanError, match=says):
            state_problem(one, shipped_settings())
    with pytest.raises(FrameError, match="a plan needs"):
        state_problem(replace(case, jobs=case.jobs.drop("due")), shipped_settings())
