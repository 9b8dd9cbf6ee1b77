"""Alerts as jobs, and what stands on the sheet of a work order."""

import re
from datetime import timedelta

import polars as pl
import pytest

from airwatch.alerts.fold import CHECKS_USED
from airwatch.alerts.proof import shown_in
from airwatch.errors import PlanError
from airwatch.limits.table import shipped_limits
from airwatch.plan.faults import parse_fault_work, shipped_fault_work
from airwatch.plan.jobs import jobs_of
from airwatch.plan.orders import ORDER_CHANGES, current_orders, orders_after
from airwatch.plan.shop import Campaign
from airwatch.plan.work_order import Sheet, sheet_of, sheet_text
from tests.plan.orders import alert, alerts, visit, visits
from tests.plan.small import BEGIN, day, shop

FAULTS = (  # of the contract, section 6
    "leak_supply", "leak_primary", "leak_secondary", "leak_trailer", "leak_applied", "leak_released", "compressor_weak",
    "governor_cut_out_high", "governor_cut_out_low", "governor_short_cycling", "supply_backflow", "low_air_warning_low",
    "low_air_warning_missing", "protection_valve_low", "abs_active", "abs_intermittent", "abs_lamp",
)  # fmt: skip


def test_every_fault_has_its_work_and_its_values_have_limits_to_hold_them_against() -> None:
    table = shipped_fault_work()
    assert set(table.fault) == set(FAULTS)
    judged = {limit.check for limit in shipped_limits()}
    for fault in FAULTS:
        assert {row.check for row in table.of(fault).fill if row.check} <= judged
        assert set(shown_in(fault)) <= set(CHECKS_USED)
    assert any("Chock the wheels" in caution for caution in table.cautions)
    assert any("never clears a vehicle" in caution for caution in table.cautions)


def test_alerts_that_ask_for_work_become_jobs_of_the_vehicle_that_must_come_in() -> None:
    at = shop(campaign=(Campaign("spring week", day(14).date(), day(18).date(), ("north",)),))
    jobs = jobs_of(
        alerts(
            alert("a"),
            alert("b", fault="leak_trailer", trailer="R-7", details="{}", severity="low"),
            alert("c", fault="leak_trailer", trailer=None, state="acknowledged"),
            alert("d", state="repaired"),
            alert("e", state="dismissed"),
            alert("f", "K-2", fault="compressor_weak", details="not JSON"),
        ),
        at,
        BEGIN,
        parts_here={"a": day(1)},
    )
    rows = {row["job"]: row for row in jobs.iter_rows(named=True)}
    assert {job: row["vehicle"] for job, row in rows.items()} == {"a": "K-1", "b": "R-7", "c": "K-1", "f": "K-2"}
    assert (rows["a"]["is_beyond"], rows["b"]["is_beyond"], rows["f"]["is_beyond"]) == (True, False, False)
    assert rows["a"]["parts_here"] == day(1)
    assert rows["b"]["parts_here"] is None  # on the shelf
    lead = max(part.lead_days for part in shipped_fault_work().of("compressor_weak").parts)
    assert rows["f"]["parts_here"] == BEGIN + timedelta(days=lead)
    assert rows["a"]["due_for"] == "spring week"
    with pytest.raises(PlanError, match=r"^fault 'rust': the table of work has none of that name"):
        jobs_of(alerts(alert("a", fault="rust")), at, BEGIN)


def sheet(**registered: object) -> Sheet:
    changes = orders_after(
        current_orders(pl.DataFrame(schema=ORDER_CHANGES)),
        visits(visit(0, "K-1", ["b", "a"])), plan=1, shop="ridge", who="R. Okafor", recorded=BEGIN,
    )  # fmt: skip
    found = alerts(alert("a"), alert("b", fault="compressor_weak", details='{"inspect": "look at the intake first"}'))
    return sheet_of(changes.row(0, named=True), found, registered or None)


def test_the_sheet_has_evidence_steps_limits_and_cautions() -> None:
    found = sheet(rule_set="us", kind="tractor")
    weak, leak = found.jobs
    assert (weak.job, leak.job) == ("b", "a")
    assert [one.fault for one in leak.explained] == ["leak_primary", "leak_applied"]  # the third is too unlikely
    assert leak.explained[0].evidence == ("parked, 4 holds",)  # what speaks against it is no evidence for it
    assert leak.first[:2] == ("primary tank's drain and check valve", "rear chambers")
    assert weak.first[0] == "look at the intake first"
    assert "since 2031-03-01: not to be driven" in leak.told
    # 49 CFR 571.121 and the CDL model manual as the limit table quotes them: 45 s in use, 25 s when new
    (build_up,) = [row for row in weak.fill if row.measure == "s"]
    assert any(re.match("limit: at most 45 s; .*CDL model manual", text) for text in build_up.limits)
    assert any(re.match("watch: at most 25 s; .*49 CFR 571.121", text) for text in build_up.limits)
    assert any("burn hands" in caution for caution in found.cautions)


def test_limits_follow_the_units_rule_set() -> None:
    """Ontario's air brake handbook: 85 to 100 psi in 2 min."""
    (build_up,) = [row for row in sheet(rule_set="ca_on", kind="tractor").jobs[0].fill if row.measure == "s"]
    assert any("at most 2 min" in text or "at most 120 s" in text for text in build_up.limits)
    assert not any("CDL" in text for text in build_up.limits)


def test_the_sheet_as_text_says_it_all() -> None:
    text = sheet_text(sheet())
    for words in ("WORK ORDER", "K-1", "bay 1", "Chock the wheels", "Check first:", "________ psi/min", "Name, date:"):
        assert words in text
    assert text.index("CAUTIONS") < text.index("JOB 1")


def test_a_forecast_is_told_with_its_days() -> None:
    one = alert("a", details="{}", crossing_early=day(1), crossing_likely=day(2), crossing_late=day(4))
    row = {**visit(0, "K-1", ["a"]), "work_order": "x", "sequence": 0, "state": "planned"}
    told = sheet_of(row, alerts(one), None).jobs[0].told
    assert told == "Limit likely crossed about 2031-03-05, between 2031-03-04 and 2031-03-07 with 80 % probability."


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("cautions = []", "cautions"),
        ('cautions = ["x"]\n[fault.a]\nwork_h = 0', "work_h"),
        ('cautions = ["x"]\nfault = {}\nrust = 1', "rust"),
    ],
)
def test_a_table_of_work_that_is_wrong_is_refused(text: str, says: str) -> None:
    with pytest.raises(PlanError, match=f"^table of work: .*{says}"):
        parse_fault_work(text)
