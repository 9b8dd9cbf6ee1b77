"""Units beside units alike: what is usual, and what a day does to all."""

from datetime import timedelta

import polars as pl
import pytest

from airwatch.alerts.fold import FACTS_USED, fold_alerts
from airwatch.alerts.peers import UNIT_DAYS, peers_of, usual_of_peers
from airwatch.alerts.settings import shipped_settings
from airwatch.derive.frames import READINGS
from tests.derive.samples import T0

SETTINGS = shipped_settings().peers


def days_of(levels: dict[str, float], *, axles: int = 3, n_runs: int = 2, kind: str = "tractor") -> pl.DataFrame:
    rows = [
        {
            "fleet": "north", "unit": unit, "kind": kind, "axles": axles, "check": "leak_running",
            "circuit": "secondary", "day": (T0 + timedelta(days=day)).date(), "level": level, "n_runs": n_runs,
        }
        for unit, level in levels.items()
        for day in range(5)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=UNIT_DAYS)


def usual(days: pl.DataFrame, **unit: object) -> list[float]:
    asked = pl.DataFrame(
        {"fleet": ["north"], "unit": ["K-0"], "kind": ["tractor"], "axles": [3], "duty": ["long"], **unit},
        schema_overrides={"axles": pl.Int32},
    )
    return usual_of_peers(asked, peers_of(days, SETTINGS))["peers"].to_list()


def test_three_faulty_units_of_eight_do_not_move_what_is_usual() -> None:
    levels = {f"K-{k}": 4.0 for k in range(5)} | {f"K-{k}": 60.0 for k in range(5, 8)}
    assert usual(days_of(levels)) == [4.0]


def test_few_units_make_no_usual() -> None:
    assert usual(days_of({f"K-{k}": 4.0 for k in range(SETTINGS.fewest_units - 1)})) == []


def test_units_most_alike_count_where_there_are_enough_of_them() -> None:
    long = days_of({f"K-{k}": 2.0 for k in range(9)})
    local = days_of({f"L-{k}": 8.0 for k in range(9)}, n_runs=6)
    two_axles = days_of({f"M-{k}": 5.0 for k in range(4)}, axles=2)
    everything = pl.concat([long, local, two_axles])
    assert usual(everything) == [2.0]
    assert usual(everything, duty=["local"]) == [8.0]
    assert usual(everything, axles=[2]) == [5.0]  # too few: those of any number of axles
    assert usual(everything, kind=["bus"]) == []


def holds(unit: str, rates: list[float]) -> pl.DataFrame:
    rows = [
        {
            "fleet": "north", "unit": unit, "circuit": "primary", "check": "leak_static", "measure": "kPa/min",
            "start": T0 + timedelta(days=k, hours=hour), "end": T0 + timedelta(days=k, hours=hour + 4), "value": rate,
            "lower": rate - 0.3, "upper": rate + 0.3, "limit_high": 20.0, "rule": "r", "verdict": "pass", "note": "",
        }
        for k, rate in enumerate(rates)
        for hour in (0, 8)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=READINGS)


def of_fleet(rates: dict[str, list[float]]) -> list[str]:
    facts = pl.DataFrame(
        [{"fleet": "north", "unit": unit, "kind": "tractor", "is_towing": True, "axles": 3} for unit in rates],
        schema=FACTS_USED,
    )
    readings = pl.concat([holds(unit, of_unit) for unit, of_unit in rates.items()])
    return fold_alerts(readings, facts)["unit"].to_list()


COLD = [0.0, 0.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 6.5]  # what ever colder days add to every unit's rate


def test_what_a_season_does_to_all_units_is_no_trend_of_one() -> None:
    cold = {f"K-{k}": [1.0 + 0.1 * k + rise for rise in COLD] for k in range(9)}
    assert of_fleet({"K-0": cold["K-0"]}) == ["K-0"]  # by itself it looks like a leak that grows
    assert of_fleet(cold) == []


@pytest.mark.parametrize("per_day", [1.3, 2.0])
def test_a_unit_that_grows_faster_than_the_season_is_still_found(per_day: float) -> None:
    rates = {f"K-{k}": [1.0 + 0.1 * k + rise for rise in COLD] for k in range(9)}
    rates["K-8"] = [rate + per_day * day for day, rate in enumerate(rates["K-8"])]
    assert of_fleet(rates) == ["K-8"]
