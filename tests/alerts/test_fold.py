from datetime import timedelta
from importlib.resources import files

import polars as pl
import pytest

from airwatch.alerts.attention import attention
from airwatch.alerts.fold import fold_alerts
from airwatch.alerts.settings import parse_settings, shipped_settings
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


def events(check: str, *rows: tuple[float, dict[str, object]]) -> pl.DataFrame:
    """Make readings of ``check`` that are judged as given: day of the end, and columns."""
    base = {"fleet": "north", "unit": "K-1", "check": check, "measure": "kPa", "rule": "r", "note": "as seen"}
    return pl.DataFrame(
        [{**base, "start": T0 + timedelta(days=day - 1), "end": T0 + timedelta(days=day), **row} for day, row in rows],
        schema=READINGS,
    )


def faults(readings: pl.DataFrame) -> list[str]:
    return fold_alerts(readings)["fault"].to_list()


def test_each_fault_of_the_contract_that_has_a_rule_is_named_as_there() -> None:
    named = {
        "leak_supply", "leak_primary", "leak_secondary", "leak_trailer", "leak_applied", "leak_released",
        "compressor_weak", "governor_cut_out_high", "governor_cut_out_low", "governor_short_cycling", "supply_backflow",
        "low_air_warning_low", "low_air_warning_missing", "protection_valve_low", "abs_active", "abs_intermittent",
        "abs_lamp",
    }  # fmt: skip
    ruled = {rule.fault for rule in shipped_settings().rule}
    assert ruled <= named
    assert {fault for fault in named if fault.startswith(("abs_", "low_air", "protection"))} <= ruled


def low_air(state: str, value: float, verdict: str = "fail") -> dict[str, object]:
    return {"state": state, "value": value, "limit_low": 379.0, "verdict": verdict}


def test_a_low_warning_and_a_missing_one_are_two_faults() -> None:
    low = events("low_air_warning", (1, low_air("came on", 300)), (2, low_air("came on", 310)))
    missing = events("low_air_warning", (1, low_air("missing", 220)), (2, low_air("missing", 240)))
    assert faults(low) == ["low_air_warning_low"]
    assert faults(missing) == ["low_air_warning_missing"]
    assert fold_alerts(missing)["summary"].item() == "no low-air warning down to 240 kPa, limit 379 kPa"
    unsure = events("low_air_warning", *[(d, low_air("missing", 240, "unknown")) for d in (1, 2, 3)])
    assert faults(unsure) == []
    mended = events(
        "low_air_warning", (1, low_air("missing", 220)), *[(d, low_air("came on", 450, "pass")) for d in (2, 3)]
    )
    assert faults(mended) == []


def test_a_sound_valve_does_not_hide_a_low_one() -> None:
    def valve(part: str, value: float, verdict: str) -> dict[str, object]:
        return {
            "part": part,
            "state": "closed",
            "value": value,
            "limit_low": 138.0,
            "limit_high": 310.0,
            "verdict": verdict,
        }

    sound = [(d + 0.5, valve("parking valve", 220, "pass")) for d in (1, 2, 3)]
    low = [(d, valve("trailer supply valve", 90, "fail")) for d in (1.0, 2.0, 3.0)]
    (alert,) = fold_alerts(events("protection_valve", *sound, *low)).iter_rows(named=True)
    assert alert["fault"] == "protection_valve_low"
    assert alert["summary"] == "trailer supply valve: as seen; 90 kPa, limit 138 kPa"
    assert faults(events("protection_valve", *sound, low[0])) == []  # once is no evidence
    high = [(d, valve("parking valve", 330, "fail")) for d in (1, 2, 3)]
    assert faults(events("protection_valve", *high)) == []


def test_codes_by_wheel_end_and_state() -> None:
    def code(part: str, state: str) -> dict[str, object]:
        return {
            "part": part,
            "state": state,
            "value": 1.0,
            "limit_high": 0.0,
            "verdict": "fail",
            "note": f"{state}: {part}",
        }

    left, right = "axle 1 left", "axle 1 right"
    (alert,) = fold_alerts(events("abs_fault", (3, code(left, "active")), (5, code(right, "cleared")))).iter_rows(
        named=True
    )
    assert (alert["fault"], alert["summary"]) == ("abs_active", "ABS codes active: axle 1 left")
    assert alert["opened"] == T0 + timedelta(days=2)  # the episode's start: its end moves on while it lasts
    both = fold_alerts(events("abs_fault", (3, code(left, "active")), (5, code(right, "active"))))
    assert both["summary"].item() == "ABS codes active: axle 1 left; active: axle 1 right"
    assert faults(events("abs_fault", (3, code(left, "intermittent")))) == ["abs_intermittent"]
    assert faults(events("abs_fault", (3, code(left, "active")), (5, code(left, "cleared")))) == []


@pytest.mark.parametrize(
    ("state", "value", "opens"), [("dark", 0.0, True), ("stayed on", 900.0, True), ("on with code", 900.0, False)]
)
def test_lamps_at_key_on(state: str, value: float, opens: bool) -> None:  # noqa: FBT001 a column of the table above
    row = {
        "part": "trailer lamp",
        "state": state,
        "value": value,
        "limit_low": 0.5,
        "limit_high": 10.0,
        "verdict": "watch",
    }
    sound = {**row, "part": "tractor lamp", "state": "went off", "value": 3.0, "verdict": "pass"}
    readings = events(
        "abs_self_check", *[(day + k, each) for day in (1, 2, 3, 4) for k, each in ((0, row), (0.1, sound))]
    )
    assert faults(readings) == (["abs_lamp"] if opens else [])
    assert not opens or fold_alerts(readings)["summary"].item() == "trailer lamp at key-on: as seen"


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
    assert alert["summary"] == (
        "Primary tank leaks; parked 27 kPa/min at the test's pressure, limit 20 kPa/min;"
        f" came at once about {T0 + timedelta(days=4):%d %b}, from 1 kPa/min to 26.5 kPa/min;"
        " beyond the limit in measured fact: have it looked at before the next trip;"
        " 88% sure, else air flows back from the supply tank after cut-out"
    )


@pytest.mark.parametrize("values", [[1, 1, 25], [25, 1, 1, 1, 26], [25], []])
def test_odd_readings_open_nothing(values: list[float]) -> None:
    assert fold_alerts(leaks(values)).is_empty()


def test_a_leak_that_is_not_seen_any_more_stays_and_says_so() -> None:
    (alert,) = fold_alerts(leaks([25, 26, *[1] * 9])).iter_rows(named=True)
    assert alert["opened"] == T0 + timedelta(days=1, hours=8)
    assert alert["summary"].endswith(f"not seen since {T0 + timedelta(days=1):%d %b} in 9 holds; say what was done")


def test_ids_hold_between_calls_and_differ_by_unit() -> None:
    both = pl.concat([leaks([25, 26]), leaks([25, 26], unit="K-2")])
    first, second = fold_alerts(both), fold_alerts(both)
    assert first["id"].to_list() == second["id"].to_list()
    assert first["id"].n_unique() == 2


def test_units_are_ranked_by_gravity_then_age() -> None:
    readings = pl.concat([leaks([1, 25, 26], unit="K-1"), leaks([25, 26, 27], unit="K-2"), leaks([1, 1], unit="K-3")])
    ranked = attention(fold_alerts(readings))
    assert ranked["unit"].to_list() == ["K-2", "K-1"]
    assert ranked["reason"].to_list()[0].startswith("Primary tank leaks")
    assert attention(fold_alerts(readings).with_columns(state=pl.lit("dismissed"))).is_empty()


def test_a_rule_that_cannot_open_is_refused() -> None:
    text = files("airwatch.alerts").joinpath("thresholds.toml").read_text("utf-8")
    row = (
        '[[rule]]\nfault = "f"\ncheck = "c"\nbeyond = "high"\nof_last = 2\nat_least = 3\n'
        'severity = { fail = "high" }\nsays = ""\ninspect = ""\nreason = ""\n'
    )
    with pytest.raises(LimitTableError, match="at_least 3 is more than of_last 2"):
        parse_settings(text + row)
    with pytest.raises(LimitTableError, match="stands twice"):
        parse_settings(text + row.replace("= 3", "= 1") * 2)
    with pytest.raises(LimitTableError, match="beyond"):
        parse_settings(text + row.replace('"high"\nof', '"up"\nof'))
    with pytest.raises(LimitTableError, match="opens_at"):
        parse_settings(text + row.replace("= 3", "= 1") + 'opens_at = "middle"\n')


def test_a_figure_has_no_exponent_that_a_change_of_unit_could_stumble_over() -> None:
    row = {"circuit": "supply", "value": 1012.0, "limit_low": 827.0, "limit_high": 965.0, "verdict": "fail"}
    readings = events("governor_cut_out", *[(day / 10, row) for day in range(1, 7)])
    assert fold_alerts(readings)["summary"].item() == "governor cuts out at 1012 kPa, limit 965 kPa"


def build_ups(*rises: tuple[float, float]) -> pl.DataFrame:
    """Make a build-up a day from value and lower bound, s, beside a limit of 26 s that only warns."""
    rows = [
        (day + 1, {"circuit": "primary", "value": value, "lower": lower, "upper": value + 1.0, "limit_high": 26.0,
                   "measure": "s", "verdict": "watch" if lower > 26.0 else "pass",
                   "run_start": T0 + timedelta(days=day)})
        for day, (value, lower) in enumerate(rises)
    ]  # fmt: skip
    return events("build_up_time", *rows)


def test_two_build_ups_far_slower_than_the_first_ones_are_enough() -> None:
    assert faults(build_ups((18, 17), (19, 18), (40, 38), (44, 42))) == ["compressor_weak"]
    assert faults(build_ups((18, 17), (19, 18), (40, 38))) == []  # one may have been disturbed
    assert faults(build_ups((24, 23), (25, 24), (28, 27), (29, 28))) == []  # hardly slower than it was


def test_what_one_tank_leaves_open_is_open_for_all_of_a_run() -> None:
    """A trailer that filled unseen halves the pace of every tank, also of those that do not show it."""
    primary = build_ups((18, 17), (19, 18), (36, 35), (37, 36))
    supply = primary.with_columns(
        circuit=pl.lit("supply"),
        value=pl.col("value") + 0.5,
        lower=pl.when(pl.col("value") > 30).then(17.0).otherwise("lower"),
    )
    assert faults(primary) == ["compressor_weak"]
    assert faults(pl.concat([primary, supply])) == []


def pumping(work: list[float], cycles: list[float], *, supply_sent: bool = False) -> pl.DataFrame:
    """Make a day's work for each application, s, and cycles an hour, for each day."""
    days = range(1, len(work) + 1)
    parts = [
        events("compressor_duty_per_application", *[(d, {"value": w}) for d, w in zip(days, work, strict=True)]),
        events("governor_cycles", *[(d, {"value": c}) for d, c in zip(days, cycles, strict=True)]),
        events("governor_differential", *[(d, {"value": 140.0 if c < 3 else 20.0, "limit_low": 103.0,
                                               "verdict": "pass" if c < 3 else "watch"})
                                          for d, c in zip(days, cycles, strict=True)]),
    ]  # fmt: skip
    if supply_sent:
        hold = {"circuit": "supply", "value": 1.0, "lower": 0.5, "upper": 1.5, "limit_high": 20.0, "verdict": "pass"}
        parts.append(events("leak_static", *[(d, hold) for d in days]))
    return pl.concat(parts)


BEFORE = [7.0] * 7


def test_a_supply_leak_that_no_gauge_shows_is_told_by_the_compressors_work() -> None:
    leak = pumping(BEFORE + [50.0] * 6, [1.6] * 7 + [8.0] * 6)
    (alert,) = fold_alerts(leak).iter_rows(named=True)
    assert (alert["fault"], alert["circuit"]) == ("leak_supply", "supply")
    assert alert["confidence"] < 0.7  # a check valve that lets air back shows alike
    assert faults(pumping(BEFORE + [16.0] * 6, [1.6] * 7 + [8.0] * 6)) == ["governor_short_cycling"]
    assert faults(pumping(BEFORE + [50.0] * 6, [1.6] * 13)) == ["compressor_weak"]
    seen = pumping(BEFORE + [50.0] * 6, [1.6] * 7 + [8.0] * 6, supply_sent=True)
    assert "leak_supply" not in faults(seen)
