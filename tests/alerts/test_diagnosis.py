"""Patterns that the layout of the tanks makes, and what explains them."""

from datetime import timedelta
from importlib.resources import files

import polars as pl
import pytest

from airwatch.alerts.fold import fold_alerts
from airwatch.alerts.holds import add_patterns, hold_table
from airwatch.alerts.settings import parse_settings, shipped_settings
from airwatch.derive.frames import READINGS
from airwatch.errors import LimitTableError
from tests.derive.samples import T0

PATTERNS = shipped_settings().patterns
CHECK_OF = {"parked": "leak_static", "released": "leak_released", "applied": "leak_applied", "running": "leak_running"}


def hold(
    day: float, state: str, rates: dict[str, float], *, unit: str = "K-1", trailer: str | None = None, sd: float = 0.2
) -> list[dict[str, object]]:
    """Give the readings of one hold; limits as the US rules have them for a combination."""
    limit = None if state == "running" else 20.7
    return [
        {
            "fleet": "north", "unit": unit, "trailer": trailer, "circuit": circuit, "check": CHECK_OF[state],
            "start": T0 + timedelta(days=day), "end": T0 + timedelta(days=day, hours=1), "value": value,
            "lower": value - 1.96 * sd, "upper": value + 1.96 * sd, "measure": "kPa/min", "limit_high": limit,
            "rule": None if limit is None else "r", "note": "",
            "verdict": "unknown" if limit is None else "fail" if value - 1.96 * sd > limit else "pass",
        }
        for circuit, value in rates.items()
    ]  # fmt: skip


def frame(*holds: list[dict[str, object]]) -> pl.DataFrame:
    return pl.DataFrame([row for rows in holds for row in rows], schema=READINGS)


def days(state: str, rates: dict[str, float], n: int = 6, **other: object) -> list[list[dict[str, object]]]:
    return [hold(k + {"parked": 0.1, "released": 0.3, "applied": 0.32, "running": 0.5}[state], state, rates, **other)
            for k in range(n)]  # type: ignore[arg-type] # fmt: skip


TIGHT = {"primary": 0.4, "secondary": 0.3}
BOTH = {"primary": 25.0, "secondary": 25.2}
PRIMARY = {"primary": 25.0, "secondary": 0.3}
DRIVING = {"primary": 0.5, "secondary": 3.0}


@pytest.mark.parametrize(
    ("rates", "pattern"),
    [
        (TIGHT, "none"),
        (PRIMARY, "primary"),
        ({"primary": 0.2, "secondary": 22.0}, "secondary"),
        (BOTH, "both"),
        ({"supply": 20.0, **TIGHT}, "supply"),
        ({"supply": 25.0, **PRIMARY}, "primary"),  # the supply tank feeds the tank that leaks
        ({"trailer": 30.0, **TIGHT}, "tank"),
    ],
)
def test_patterns(rates: dict[str, float], pattern: str) -> None:
    table = hold_table(frame(hold(1, "parked", rates)), PATTERNS).with_columns(
        *[pl.lit(0.0).alias(f"usual_{tank}") for tank in ("supply", "primary", "secondary")], usual_drop=pl.lit(15.0)
    )
    assert add_patterns(table, PATTERNS)["pattern"].to_list() == [pattern]


def test_a_hold_in_which_a_tank_warms_says_nothing() -> None:
    assert hold_table(frame(hold(1, "parked", {"primary": -12.0, "secondary": 0.0})), PATTERNS).is_empty()
    assert hold_table(frame(hold(1, "applied", {"primary": 500.0, "secondary": 520.0})), PATTERNS).is_empty()


# What falls together follows from the check valves: 49 CFR 393.50 asks for one at each brake tank, and a two-way valve
# gives the trailer and the spring brakes air from the tank that has more (dual-circuit layout of the driver manuals).
CASES = {
    "leak_primary": [
        *days("parked", PRIMARY),
        *days("released", PRIMARY),
        *days("running", {"primary": 25, "secondary": 3}),
    ],
    "leak_secondary": days("parked", {"primary": 0.2, "secondary": 24.0}),
    "leak_supply": [
        *days("parked", {"supply": 26.0, **TIGHT}),
        *days("running", {"supply": 30.0, **DRIVING}),
    ],
    "leak_released": [
        *days("parked", TIGHT),
        *days("released", BOTH),
        *days("running", {"primary": 24, "secondary": 27}),
    ],
    "leak_applied": [
        *days("parked", TIGHT),
        *days("released", TIGHT),
        *days("applied", {"primary": 30, "secondary": 1}),
    ],
}


@pytest.mark.parametrize("fault", CASES)
def test_each_fault_is_told_by_its_pattern(fault: str) -> None:
    (alert,) = fold_alerts(frame(*CASES[fault])).iter_rows(named=True)
    assert alert["fault"] == fault
    assert alert["confidence"] > 0.6


def test_a_leak_seen_only_with_a_certain_trailer_is_the_trailers_whichever_tractors_saw_it() -> None:
    seen = [
        *[hold(k, "parked", BOTH if k % 2 else TIGHT, trailer="R-1") for k in range(6)],
        *[hold(k + 0.3, "running", {"primary": 24, "secondary": 27}, trailer="R-1") for k in range(6)],
        *[hold(k, "parked", TIGHT, trailer="R-2") for k in range(6, 10)],
        *[hold(k + 0.3, "running", DRIVING, trailer="R-2") for k in range(6, 10)],
        *[hold(k, "parked", BOTH, unit="K-2", trailer="R-1") for k in range(6, 10)],
        *[hold(k, "parked", TIGHT, unit="K-2", trailer="R-3") for k in range(4)],
    ]
    (alert,) = fold_alerts(frame(*seen)).iter_rows(named=True)
    assert (alert["fault"], alert["trailer"], alert["circuit"]) == ("leak_trailer", "R-1", "trailer")
    assert alert["unit"] == "K-2"  # it showed it last
    assert alert["opened"] < T0 + timedelta(days=4)


def test_competing_explanations_are_shown() -> None:
    """A unit whose driver shuts the trailer off when parking: its leak looks like one of the spring brakes."""
    seen = [*days("parked", TIGHT), *days("released", BOTH)]
    (alert,) = fold_alerts(frame(*seen)).iter_rows(named=True)
    assert alert["fault"] in ("leak_released", "leak_trailer")
    assert "leak_trailer" in alert["details"]
    assert "leak_released" in alert["details"]
    assert alert["confidence"] < 0.9
    assert "sure, else" in alert["summary"]


def test_shares_of_a_row_add_up_to_one() -> None:
    for signature in shipped_settings().signature:
        for state, patterns in (
            ("parked", ("none", "primary", "secondary", "both", "supply", "tank")),
            ("after_cut_out", ("none", "drops", "faster", "follows")),
        ):
            total = sum(signature.share(state, pattern) for pattern in patterns)
            assert total == pytest.approx(1.0, abs=0.02), (signature.fault, state)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("primary = 0.86", "primery = 0.86", "no such pattern: primery"),
        ("primary = 0.86", "primary = 1.86", "add up to 1 at most"),
        ("prior = 1.0", "chance = 1.0", "unknown field"),
    ],
)
def test_a_table_that_can_not_be_is_refused(old: str, new: str, says: str) -> None:
    text = files("airwatch.alerts").joinpath("thresholds.toml").read_text("utf-8")
    assert parse_settings(text) == shipped_settings()
    with pytest.raises(LimitTableError, match=says):
        parse_settings(text.replace(old, new))
