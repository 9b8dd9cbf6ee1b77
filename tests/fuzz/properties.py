"""What holds for any message at all, seen from what was decoded of it alone."""

import math
import re
from typing import Any

from airwatch.contract.columns import COLUMNS, Column
from airwatch.contract.message import RawMessage
from tests.fuzz.outcome import Outcome, Row
from tests.fuzz.violation import ViolationError, one_line

LATEST_US = 253_402_214_400_000_000  # 9999-12-31T00:00:00Z, GNU date -u -d … +%s
LAMPS, KINDS = {"tractor_abs", "trailer_abs", "key"}, {"cut_in", "cut_out"}
_PRESSURE = COLUMNS[0]
_UNFORESEEN = re.compile(r"can't be decoded, please report it: (\w+)")


def check_outcome(message: RawMessage, outcome: Outcome) -> None:
    """Check that a message is accounted for and that what landed of it lies within the contract.

    Raises
    ------
    ViolationError
        It is not so.
    """
    stream = message.topic.rpartition("/")[2]
    count = (len(outcome.ledger), len(outcome.rejects))
    if count not in {(1, 0), (0, 1), (1, 1)} or (count == (1, 1) and stream != "can"):
        raise ViolationError("account", f"{count[0]} ledger rows and {count[1]} rejects for one message of {stream}")
    for row in outcome.rejects:
        _check_reject(message, row)
    for row in outcome.ledger:
        _check_ledger(message, row, outcome.rows)
    if not outcome.ledger and outcome.rows:
        raise ViolationError("account", f"a refused message left rows in {', '.join(outcome.rows)}")
    _check_samples(outcome.rows.get("samples", ()))
    _check_events(outcome.rows)


def fitting(value: Any, column: Column) -> float | None:
    """Give a number as it is to land in a column: null if the bus can't carry it."""
    if value is None:
        return None
    number = as_double(value)
    if column.is_switch:
        return number if number in {0.0, 1.0} else None
    return number if column.low <= number <= column.high else None  # NaN fails, too


def as_double(value: Any) -> float:
    """Give a number as a double, infinite where it is too large for one."""
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _check_reject(message: RawMessage, row: dict[str, Any]) -> None:
    if not one_line(row["reason"]):
        raise ViolationError("a reason that is not one line", repr(row["reason"])[:200])
    if unforeseen := _UNFORESEEN.search(row["reason"]):
        raise ViolationError(f"an unforeseen {unforeseen[1]} is set aside", row["reason"][:300])
    kept = (row["received"], row["topic"], row["content_type"], row["payload"])
    if kept != (message.received_us, message.topic, message.content_type, message.payload):
        raise ViolationError("a refused message was not kept as it came", repr(kept)[:200])


def _check_ledger(message: RawMessage, row: dict[str, Any], rows: dict[str, tuple[Row, ...]]) -> None:
    whose = f"{row['fleet']}/{row['unit']}/{row['stream']}"
    if not message.topic.endswith(f"/{whose}") or row["bytes"] != len(message.payload):
        raise ViolationError("the ledger names another message", f"{whose}, {row['bytes']} bytes")
    if row["remark"] is not None and not one_line(row["remark"]):
        raise ViolationError("a remark that is not one line", repr(row["remark"])[:200])
    n_rows = sum(len(found) for table, found in rows.items() if table != "fault_codes")
    if row["n_rows"] != n_rows:
        raise ViolationError("n_rows", f"the ledger says {row['n_rows']} rows, there are {n_rows}")
    samples = rows.get("samples", ())
    n_valid = sum(value is not None for sample in samples for value in sample[1:])
    if samples and row["n_cells"] != n_valid + row["n_null"] + row["n_out_of_range"]:
        told = f"{row['n_cells']} cells, {row['n_null']} null, {row['n_out_of_range']} out of range, {n_valid} landed"
        raise ViolationError("cells don't add up", told)
    if min(row["n_cells"], row["n_null"], row["n_out_of_range"]) < 0:
        raise ViolationError("cells don't add up", "a count is negative")


def _check_time(t_us: int) -> None:
    if not 0 <= t_us <= LATEST_US:
        raise ViolationError("a time outside the calendar", f"{t_us} us")


def _check_value(value: Any, column: Column) -> None:
    if value is not None and (not math.isfinite(value) or fitting(value, column) is None):
        raise ViolationError("a value outside its range", f"{column.name} = {value!r}")


def _check_samples(samples: tuple[Row, ...]) -> None:
    before_us = -1
    for t_us, *values in samples:
        _check_time(t_us)
        if t_us <= before_us:
            raise ViolationError("samples of a message do not rise", f"{t_us} after {before_us} us")
        before_us = t_us
        for value, column in zip(values, COLUMNS, strict=True):
            _check_value(value, column)


def _check_events(rows: dict[str, tuple[Row, ...]]) -> None:
    for table in ("governor_events", "fault_reports", "fault_codes", "lamp_events"):
        for _, _, t_us, *_ in rows.get(table, ()):
            _check_time(t_us)
    for *_, kind, kpa in rows.get("governor_events", ()):
        _check_value(kpa, _PRESSURE)
        _check_among("kind", kind, kind in KINDS)
    for *_, lamp, is_on in rows.get("lamp_events", ()):
        _check_among("lamp", (lamp, is_on), lamp in LAMPS and isinstance(is_on, bool))
    for *_, source in rows.get("fault_reports", ()):
        _check_among("source_address", source, source is None or 0 <= source <= 255)
    for *_, spn, fmi, count in rows.get("fault_codes", ()):
        fits = 0 <= spn < 2**19 and 0 <= fmi <= 31 and (count is None or 0 <= count <= 127)
        _check_among("trouble code", (spn, fmi, count), fits)


def _check_among(what: str, value: Any, fits: bool) -> None:  # noqa: FBT001 - the last of three, and named at the call
    if not fits:
        raise ViolationError(f"a {what} outside the contract", repr(value))
