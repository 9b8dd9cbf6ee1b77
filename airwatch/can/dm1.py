"""Active trouble codes (DM1): bytes to codes, and the reports worth keeping."""

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from airwatch.can.frames import Schema
from airwatch.can.transport import Received
from airwatch.contract.columns import TIME

DM1 = 65226
"""PGN of active diagnostic trouble codes."""

REPORT_COLUMNS: Schema = {"t": TIME, "source_address": pl.Int16}
CODE_COLUMNS: Schema = {**REPORT_COLUMNS, "spn": pl.Int32, "fmi": pl.Int16, "count": pl.Int16}

_LAMP_BYTES, _CODE_BYTES = 2, 4
_NO_SPN = (0, 0x7FFFF)  # 'no fault', today and grandfathered
_NO_COUNT = 127


@dataclass(frozen=True, slots=True, order=True)
class Code:
    """One trouble code; ``count`` is how often it came up, -1 where that is not available."""

    spn: int
    fmi: int
    count: int


@dataclass(frozen=True, slots=True)
class ActiveCodes:
    """The whole active set of one source; ``n_old_conversion`` of them have the conversion method bit set."""

    codes: tuple[Code, ...]
    n_old_conversion: int


def parse_dm1(data: bytes) -> ActiveCodes | None:
    """Read a DM1 message: two bytes of lamps, then four for each code.

    A code is SPN bits 1-8, SPN bits 9-16, SPN bits 17-19 (top) with FMI (low five), and conversion method (top bit)
    with occurrence count. SPN 0 and 524287 mean 'no fault' and are left out, so is a code that is there twice. Bytes
    that don't fill a code are filler and have to be 0xFF or 0.

    With the conversion method bit set the SPN has one of three older layouts and the message doesn't say which. It
    is read by the newest of them, which is today's layout, and counted.

    Parameters
    ----------
    data : bytes
        The message, put together if it came in several packets.

    Returns
    -------
    ActiveCodes or None
        Codes sorted; None if the length is impossible.

    References
    ----------
    Layout as in Equipment-and-Tool-Institute/j1939-84, ``DiagnosticTroubleCode.java``, and the four conversion methods
    in juergenH87/python-can-j1939, ``test/test_dtc_conversion_methods.py``.
    """
    n_codes = (len(data) - _LAMP_BYTES) // _CODE_BYTES
    end = _LAMP_BYTES + n_codes * _CODE_BYTES
    if n_codes < 1 or data[end:].strip(b"\x00\xff"):
        return None
    found: dict[tuple[int, int], Code] = {}
    n_old = 0
    for at in range(_LAMP_BYTES, end, _CODE_BYTES):
        low, middle, mixed, counted = data[at : at + _CODE_BYTES]
        spn, fmi, count = low | middle << 8 | mixed >> 5 << 16, mixed & 0x1F, counted & 0x7F
        if spn not in _NO_SPN and (spn, fmi) not in found:
            found[spn, fmi] = Code(spn, fmi, -1 if count == _NO_COUNT else count)
            n_old += counted >> 7
    return ActiveCodes(tuple(sorted(found.values())), n_old)


@dataclass(frozen=True, slots=True)
class FaultReports:
    """``reports`` as ``REPORT_COLUMNS``, ``codes`` as ``CODE_COLUMNS``; a report without codes says 'none active'."""

    reports: pl.DataFrame
    codes: pl.DataFrame
    n_dm1: int
    n_malformed: int
    n_other_channel: int
    n_old_conversion: int


def keep_changes(messages: Iterable[Received], *, keep_alive_us: int) -> FaultReports:
    """Keep the DM1 messages that say something new.

    A source repeats its DM1 each second. Of these stay the first of each source, those that differ in a code or an
    occurrence count from the last one kept, and those that come ``keep_alive_us`` or more after it, so that 'still
    active' is known. A source is heard on the channel where it was heard first: elsewhere it is the same through a
    gateway.

    Parameters
    ----------
    messages : iterable of Received, in order of time
    keep_alive_us : int
        Microseconds, at least 1.

    Returns
    -------
    FaultReports
        Sorted by time and source; ``(t, source_address)`` is unique.
    """
    parsed: dict[bytes, ActiveCodes | None] = {}
    channel_of: dict[int, int] = {}
    last: dict[int, tuple[int, tuple[Code, ...]]] = {}
    kept: dict[tuple[int, int], tuple[Code, ...]] = {}
    n_dm1 = n_malformed = n_other = 0
    for message in messages:
        n_dm1 += 1
        source = message.source_address
        if message.data not in parsed:
            parsed[message.data] = parse_dm1(message.data)
        if (active := parsed[message.data]) is None:
            n_malformed += 1
        elif channel_of.setdefault(source, message.channel) != message.channel:
            n_other += 1
        else:
            since_us, before = last.get(source, (0, None))
            if before != active.codes or message.t_us - since_us >= keep_alive_us:
                last[source] = (message.t_us, active.codes)
                kept[message.t_us, source] = active.codes
    n_old = sum(active.n_old_conversion for active in parsed.values() if active is not None)
    return FaultReports(*_frames(kept), n_dm1, n_malformed, n_other, n_old)


def _frames(kept: dict[tuple[int, int], tuple[Code, ...]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    keys = sorted(kept)
    rows = [(*key, c.spn, c.fmi, None if c.count < 0 else c.count) for key in keys for c in kept[key]]

    reports = pl.DataFrame(keys, schema={**REPORT_COLUMNS, "t": pl.Int64}, orient="row")
    codes = pl.DataFrame(rows, schema={**CODE_COLUMNS, "t": pl.Int64}, orient="row")
    return reports.cast({"t": TIME}), codes.cast({"t": TIME})
