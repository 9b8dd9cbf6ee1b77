from datetime import timedelta

import polars as pl
import pytest

from airwatch.alerts.attention import attention
from airwatch.alerts.fold import fold_alerts
from airwatch.alerts.rules import parse_rules, shipped_rules
from airwatch.derive.frames import READINGS
from airwatch.errors import LimitTableError
from tests.derive.samples import T0


def leaks(values: list[float], *, unit: str = "K-1", circuit: str = "primary", limit: float = 20.0) -> pl.DataFrame:
    rows = [
        {
            "fleet": "north", "unit": unit, "circuit": circuit, "check": "leak_static",
            "start": T0 + timedelta(days=k), "end": T0 + timedelta(days=k, hours=8), "value": value,
            "lower": value, "upper": value, "measure": "kPa/min", "limit_high": limit, "rule": "r",
            "verdict": "fail" if value > limit else "pass", "note": "",
        }
        for k, value in enumerate(values)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=READINGS)


def test_two_of_three_open_and_the_completing_reading_dates_it() -> None:
    (alert,) = fold_alerts(leaks([1, 1, 25, 1, 26, 27])).iter_rows(named=True)
    assert (alert["fault"], alert["circuit"], alert["severity"], alert["state"]) == (
        "leak_primary",
        "primary",
        "high",
        "open",
    )
    assert alert["opened"] == T0 + timedelta(days=4, hours=8)
    assert alert["updated"] == T0 + timedelta(days=5, hours=8)
    assert alert["summary"] == "primary tank loses 27 kPa/min parked, at the test's pressure; limit 20 kPa/min"


@pytest.mark.parametrize("values", [[1, 1, 25], [25, 26, 27, 1, 1], [25], []])
def test_one_odd_reading_and_a_mended_leak_open_nothing(values: list[float]) -> None:
    assert fold_alerts(leaks(values)).is_empty()


def test_ids_hold_between_calls_and_differ_by_unit() -> None:
    both = pl.concat([leaks([25, 26]), leaks([25, 26], unit="K-2")])
    first, second = fold_alerts(both), fold_alerts(both)
    assert first["id"].to_list() == second["id"].to_list()
    assert first["id"].n_unique() == 2


def test_units_are_ranked_by_gravity_then_age() -> None:
    readings = pl.concat([leaks([1, 25, 26], unit="K-1"), leaks([25, 26, 27], unit="K-2"), leaks([1, 1], unit="K-3")])
    ranked = attention(fold_alerts(readings))
    assert ranked["unit"].to_list() == ["K-2", "K-1"]
    assert ranked["reason"].to_list()[0].startswith("primary tank loses")
    assert attention(fold_alerts(readings).with_columns(state=pl.lit("dismissed"))).is_empty()


def test_a_rule_that_cannot_open_is_refused() -> None:
    row = (
        '[[rule]]\nfault = "f"\ncheck = "c"\nbeyond = "high"\nof_last = 2\nat_least = 3\n'
        'severity = { fail = "high" }\nsays = ""\nreason = ""\n'
    )
    with pytest.raises(LimitTableError, match="at_least 3 is more than of_last 2"):
        parse_rules(row)
    with pytest.raises(LimitTableError, match="stands twice"):
        parse_rules(row.replace("= 3", "= 1") * 2)
    with pytest.raises(LimitTableError, match="beyond"):
        parse_rules(row.replace('"high"\nof', '"up"\nof'))
    assert len(shipped_rules()) == 8
