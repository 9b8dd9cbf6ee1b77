"""Structured payloads as a gateway could send them, before anything is done to them."""

from typing import Any

from hypothesis import strategies as st

from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from tests.messages import at

_UNLIKELY = 12
_SWITCHES = {column.name for column in COLUMNS if column.is_switch}
_seqs = st.integers(0, 50) | st.integers(0, 2**63 - 1)
_starts = st.integers(0, 90).map(at) | st.integers(0, 90_000).map(lambda ms: at(ms / 1000))  # so that they often meet
_sizes = st.integers(0, 5) | st.integers(0, 5) | st.sampled_from([1, 60])
_trailers = st.sampled_from([None, "", "R-77", "R-78"])


@st.composite
def pressure_blocks(draw: st.DrawFn, unit: str) -> dict[str, Any]:
    """Draw a block of samples."""
    n = draw(_sizes)
    body: dict[str, Any] = {"v": 1, "unit": unit, "seq": draw(_seqs), "t0": draw(_starts)}
    if draw(st.booleans()):
        body["trailer"] = draw(_trailers)
    if draw(st.integers(0, 2)):
        body["dt_ms"] = draw(st.sampled_from([1, 1.5, 250, 1000, 1000.25, 10_000, 3.15e10]))
    else:
        steps = draw(st.lists(st.integers(1, 5000) | st.floats(1, 5000), min_size=n, max_size=n))
        body["t_ms"] = [sum(steps[:k]) for k in range(n)]
    for name in draw(st.lists(st.sampled_from(COLUMN_NAMES), unique=True, max_size=5)):
        body[name] = draw(_columns(name, n))
    return body


@st.composite
def _columns(draw: st.DrawFn, name: str, n: int) -> list[float | None] | None:
    if draw(st.integers(0, _UNLIKELY)) == 0:
        return None
    cells: st.SearchStrategy[float | None]
    cells = st.integers(0, 1) if name in _SWITCHES else st.integers(0, 2000) | st.floats(-300, 9000, width=32)
    if draw(st.integers(0, 3)) == 0:
        cells = cells | st.none()
    return draw(st.lists(cells, min_size=n, max_size=n)) if n < _UNLIKELY else [draw(cells)] * n


@st.composite
def governor_messages(draw: st.DrawFn, unit: str) -> dict[str, Any]:
    """Draw a message of governor events."""
    events = st.fixed_dictionaries(
        {"t": _starts, "kind": st.sampled_from(["cut_in", "cut_out"])},
        optional={"supply_kpa": st.none() | st.integers(0, 2001) | st.floats(0, 2001)},
    )
    return {"v": 1, "unit": unit, "seq": draw(_seqs), "events": draw(st.lists(events, max_size=4))}


@st.composite
def faults_messages(draw: st.DrawFn, unit: str) -> dict[str, Any]:
    """Draw a message of trouble codes and lamps."""
    codes = st.fixed_dictionaries(
        {"spn": st.sampled_from([0, 789, 790, 2**19 - 1]), "fmi": st.integers(0, 31)},
        optional={"count": st.none() | st.integers(0, 127)},
    )
    lamps = st.fixed_dictionaries(
        {"lamp": st.sampled_from(["tractor_abs", "trailer_abs", "key"]), "t": _starts, "on": st.booleans()}
    )
    optional = {
        "source_address": st.none() | st.integers(0, 255),
        "codes": st.none() | st.lists(codes, max_size=4),
        "lamps": st.none() | st.lists(lamps, max_size=4),
    }
    return {"v": 1, "unit": unit, "seq": draw(_seqs), "t": draw(_starts)} | draw(
        st.fixed_dictionaries({}, optional=optional)
    )
