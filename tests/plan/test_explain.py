"""What a plan says of itself."""

import polars as pl

from airwatch.plan.make import make_plan
from airwatch.plan.shop import Bay, Person
from tests.plan.small import BEGIN, MORNING, NOON, day, given, job, shop, times


def why(plan: object, name: str) -> str:
    return str(plan.reasons.filter(job=name)["why"].item())  # type: ignore[attr-defined]


def test_each_placement_says_why_then_and_what_a_day_later_costs() -> None:
    plan = make_plan(given(job("a", severity="high", work_h=4.0), job("b", work_h=4.0)), seconds=1)
    assert why(plan, "a").startswith("Its limit is crossed already: not to be driven until it was looked at")
    assert "it is the first half day" in why(plan, "a")
    assert "earlier: Mon 3 Mar 07:00 bay 1 is taken by K-a" in why(plan, "b")
    row = plan.reasons.filter(job="b").row(0, named=True)
    assert row["slot"] == NOON
    # medium counts three times, a quarter for each day beyond: `settings.toml`
    assert row["day_later"] == 0.75
    assert row["risk"] == 0.75 * 6.5 / 24
    assert "a day later adds 0.75 to its risk of 0.20" in row["why"]


def test_chance_before_the_place_is_told_for_a_forecast() -> None:
    forecast = {
        "is_beyond": False,
        "crossing_early": day(1),
        "crossing_likely": day(2),
        "crossing_late": day(4),
        "updated": day(-1000),
    }
    plan = make_plan(given(job("a", parts_here=day(1.9), parts="hose", **forecast), days=4), seconds=1)
    row = plan.reasons.row(0, named=True)
    assert row["slot"] == day(2)
    assert abs(row["chance_before"] - 0.5) < 1e-6
    assert "crossed before then with 50 % probability" in row["why"]
    assert "Mon 3 Mar 07:00 to Tue 4 Mar 12:30 hose not here before Wed 5 Mar 04:36" in row["why"]


def test_a_place_left_free_for_quiet_says_so() -> None:
    home = times(("K-a", day(1), day(2), "home"))
    plan = make_plan(given(job("a", severity="low", is_beyond=False), unit_times=home), seconds=1)
    assert plan.reasons["slot"].item() == day(1)
    assert "free, but taking the vehicle off the road then costs more" in why(plan, "a")


def test_what_does_not_fit_says_why() -> None:
    place = shop(bay=(Bay("bay 1"),), person=(Person("A", ("air",)),))
    full = [job(f"{k}", severity="high", work_h=4.0) for k in range(6)]
    plan = make_plan(given(*full, job("x", severity="low", work_h=3.0), at=place), seconds=1)
    assert plan.reasons.filter(pl.col("slot").is_null())["job"].to_list() == ["x"]
    assert (
        "it could come in 6 half days, and all are taken by work whose delay costs more: Mon 3 Mar 07:00 bay 1"
        in why(plan, "x")
    )
    nobody = make_plan(given(job("x", skills=["abs"]), at=place), seconds=1)
    assert "no place within the plan would do: nobody at the shop has abs" in why(nobody, "x")
    late = make_plan(given(job("x", parts_here=day(9), parts="compressor"), at=place), seconds=1)
    assert "compressor not here before Wed 12 Mar 07:00" in why(late, "x")


def test_a_campaign_missed_is_said() -> None:
    due = {"due": NOON, "due_for": "spring week"}
    plan = make_plan(given(job("a", work_h=4.0, **due), job("b", work_h=4.0, **due)), seconds=1)
    late = plan.reasons.filter("is_late")
    assert late.height == 1
    assert "not before spring week (Mon 3 Mar 12:30)" in late["why"].item()
    assert plan.reasons.filter(~pl.col("is_late"))["slot"].item() == MORNING
    assert plan.begin == BEGIN
