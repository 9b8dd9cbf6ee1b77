"""Governor events, trouble codes, lamps and the key: contract section 2."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from airwatch.contract.batch import CODE_SCHEMA, GOVERNOR_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from tests.messages import T0, assert_refused, at, decode, faults, governor

START = T0.replace(tzinfo=None)  # inside the program times are UTC without a zone
CUT_OUT = {"t": at(3), "kind": "cut_out", "supply_kpa": 896}
CUT_IN = {"t": at(70.25), "kind": "cut_in", "supply_kpa": 720.5}
CODE = {"spn": 789, "fmi": 5, "count": 3}
LAMP = {"lamp": "tractor_abs", "t": at(1), "on": True}


def after(seconds: float) -> datetime:
    """Give the time that many seconds after T0."""
    return START + timedelta(seconds=seconds)


# governor ------------------------------------------------------------------------------------------------------------


def test_governor_events_may_be_batched() -> None:
    decoded = decode(governor(CUT_OUT, CUT_IN), "governor")
    assert decoded.governor_events.drop("message").schema == GOVERNOR_SCHEMA
    assert decoded.governor_events.rows() == [
        (0, "north", "K-204", after(3), "cut_out", 896.0),
        (0, "north", "K-204", after(70.25), "cut_in", 720.5),
    ]
    assert decoded.ledger.select("stream", "seq", "n_rows", "n_out_of_range").rows() == [("governor", 3, 2, 0)]


def test_a_governor_message_without_events_is_accepted() -> None:
    assert decode(governor(), "governor").ledger["n_rows"].to_list() == [0]


@pytest.mark.parametrize(("kpa", "kept", "n_bad"), [(0, 0.0, 0), (2000, 2000.0, 0), (2008, None, 1), (-8, None, 1)])
def test_a_governor_pressure_beyond_the_bus_becomes_null_and_the_event_stays(
    kpa: float, kept: float | None, n_bad: int
) -> None:
    decoded = decode(governor(CUT_IN, CUT_OUT | {"supply_kpa": kpa}), "governor")
    assert decoded.governor_events["supply_kpa"].to_list() == [720.5, kept]
    assert decoded.ledger["n_out_of_range"].to_list() == [n_bad]


def test_a_governor_event_may_lack_its_pressure() -> None:
    events: list[dict[str, Any]] = [{"t": at(3), "kind": "cut_in"}, CUT_OUT | {"supply_kpa": None}]
    assert decode(governor(*events), "governor").governor_events["supply_kpa"].to_list() == [None, None]


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (governor(CUT_OUT | {"kind": "cut-out"}), r"Invalid enum value 'cut-out' - at `\$\.events\[0\]\.kind`"),
        (governor(CUT_OUT, {"kind": "cut_in"}), r"missing required field `t` - at `\$\.events\[1\]`"),
        (governor(CUT_OUT | {"t": "2031-02-03T11:20:00"}), r"timezone component - at `\$\.events\[0\]\.t`"),
        (governor(CUT_OUT, CUT_IN | {"t": "0001-01-01T00:00:00+23:59"}), "outside the years 1970 to 9999"),
        (governor(CUT_OUT, CUT_IN | {"t": "9999-12-31T23:59:59-23:59"}), "outside the years 1970 to 9999"),
        (governor(CUT_OUT | {"supply_kpa": "896"}), r"got `str` - at `\$\.events\[0\]\.supply_kpa`"),
        (governor(events=None), r"got `null` - at `\$\.events`"),
        ({"v": 1, "unit": "K-204", "seq": 3}, "missing required field `events`"),
        (governor(v=2), r"at `\$\.v`"),
        (governor(unit="K-205"), "unit is 'K-205', the topic says 'K-204'"),
        (governor(seq=-1), r"at `\$\.seq`"),
    ],
)
def test_governor_messages_that_break_the_contract(body: dict[str, Any], why: str) -> None:
    assert_refused(body, why, "governor")


# faults --------------------------------------------------------------------------------------------------------------


def test_the_active_set_and_its_report() -> None:
    decoded = decode(faults(codes=[CODE, {"spn": 2**19 - 1, "fmi": 31}]), "faults")
    assert decoded.fault_reports.drop("message").schema == REPORT_SCHEMA
    assert decoded.fault_codes.drop("message").schema == CODE_SCHEMA
    assert decoded.fault_reports.rows() == [(0, "north", "K-204", after(0), 11)]
    assert decoded.fault_codes.rows() == [
        (0, "north", "K-204", after(0), 11, 789, 5, 3),
        (0, "north", "K-204", after(0), 11, 2**19 - 1, 31, None),
    ]
    assert decoded.ledger["n_rows"].to_list() == [1]


@pytest.mark.parametrize(
    ("fields", "n_reports", "n_codes"),
    [({"codes": [CODE]}, 1, 1), ({"codes": []}, 1, 0), ({"codes": None}, 0, 0), ({}, 0, 0)],
    ids=["active", "all cleared", "null", "absent"],
)
def test_empty_codes_are_a_report_and_absent_or_null_codes_are_none(
    fields: dict[str, Any], n_reports: int, n_codes: int
) -> None:
    decoded = decode(faults(**fields), "faults")
    assert (decoded.fault_reports.height, decoded.fault_codes.height) == (n_reports, n_codes)
    assert decoded.ledger["n_rows"].to_list() == [n_reports]
    assert decoded.rejects.is_empty()


@pytest.mark.parametrize("lamp", ["tractor_abs", "trailer_abs", "key"])
def test_lamps_and_key_go_on_and_off(lamp: str) -> None:
    decoded = decode(
        faults(lamps=[{"lamp": lamp, "t": at(t), "on": on} for t, on in ((0, True), (2.5, False))]), "faults"
    )
    assert decoded.lamp_events.drop("message").schema == LAMP_SCHEMA
    assert decoded.lamp_events.rows() == [
        (0, "north", "K-204", after(0), lamp, True),
        (0, "north", "K-204", after(2.5), lamp, False),
    ]
    assert decoded.ledger["n_rows"].to_list() == [2]


def test_codes_and_lamps_come_together() -> None:
    decoded = decode(faults(codes=[CODE], lamps=[LAMP]), "faults")
    assert [decoded.fault_reports.height, decoded.fault_codes.height, decoded.lamp_events.height] == [1, 1, 1]
    assert decoded.ledger["n_rows"].to_list() == [2]


@pytest.mark.parametrize("fields", [{"lamps": None}, {"lamps": []}, {}])
def test_no_lamps(fields: dict[str, Any]) -> None:
    decoded = decode(faults(codes=[], **fields), "faults")
    assert (decoded.lamp_events.height, decoded.ledger["n_rows"].to_list()) == (0, [1])


def test_the_source_address_may_be_unknown() -> None:
    for fields in ({"source_address": None}, {}):
        body = faults(codes=[CODE])
        del body["source_address"]
        assert decode(body | fields, "faults").fault_codes["source_address"].to_list() == [None]


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"codes": [{"spn": 2**19, "fmi": 5}]}, r"Expected `int` <= 524287 - at `\$\.codes\[0\]\.spn`"),
        ({"codes": [CODE, {"spn": -1, "fmi": 5}]}, r"at `\$\.codes\[1\]\.spn`"),
        ({"codes": [CODE | {"fmi": 32}]}, r"Expected `int` <= 31 - at `\$\.codes\[0\]\.fmi`"),
        ({"codes": [CODE | {"count": 128}]}, r"at `\$\.codes\[0\]\.count`"),
        ({"codes": [{"spn": 789}]}, "missing required field `fmi`"),
        ({"codes": {}}, r"at `\$\.codes`"),
        ({"lamps": [LAMP | {"lamp": "abs"}]}, r"Invalid enum value 'abs' - at `\$\.lamps\[0\]\.lamp`"),
        ({"lamps": [LAMP | {"on": 1}]}, r"Expected `bool`, got `int` - at `\$\.lamps\[0\]\.on`"),
        ({"lamps": [LAMP | {"t": None}]}, r"at `\$\.lamps\[0\]\.t`"),
        ({"codes": [CODE], "lamps": [LAMP | {"t": "9999-12-31T23:59:59-23:59"}]}, "outside the years 1970 to 9999"),
        ({"t": "1969-12-31T23:59:59.999Z", "codes": [CODE]}, "outside the years 1970 to 9999"),
        ({"t": None}, r"at `\$\.t`"),
        ({"source_address": 256}, r"Expected `int` <= 255 - at `\$\.source_address`"),
        ({"source_address": -1}, r"at `\$\.source_address`"),
        ({"unit": "K-205", "codes": [CODE]}, "unit is 'K-205'"),
        ({"v": 0}, r"at `\$\.v`"),
    ],
)
def test_faults_messages_that_break_the_contract(fields: dict[str, Any], why: str) -> None:
    assert_refused(faults(**fields), why, "faults")


@pytest.mark.parametrize(("body", "stream"), [(governor(CUT_IN, x=1), "governor"), (faults(codes=[], x=1), "faults")])
def test_unknown_fields_are_named_in_the_ledger(body: dict[str, Any], stream: str) -> None:
    assert decode(body, stream).ledger["remark"].to_list() == ["fields not in the contract were left out: x"]
