"""SenML packs as a gateway could send them, before anything is done to them."""

from typing import Any

from hypothesis import strategies as st

from airwatch.contract.columns import COLUMN_NAMES
from tests.messages import T0

_LABELS = {"bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "bver": -1, "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4}
_LABELS |= {"s": 5, "t": 6, "ut": 7, "vd": 8}
_START_S = T0.timestamp()
_UNITS = ("kPa", "Pa", "hPa", "1/min", "1/s", "Hz", "km/h", "m/s", "Cel", "K", "/", "%", "psi", "")
_values = st.integers(0, 2000) | st.floats(-300, 9000, width=32) | st.sampled_from([0, 1, 8.24e5, 277.15])
_offsets = st.integers(-5, 90) | st.floats(-5, 90) | st.sampled_from([2**28, 2**28 - 1, -(2.0**31), _START_S])


def _names(unit: str) -> st.SearchStrategy[str]:
    return st.sampled_from([*COLUMN_NAMES, "trailer", "volts", f"{unit}:primary_kpa", f"a/{unit}/b/engine_rpm"])


def _bases(unit: str) -> st.SearchStrategy[str]:
    names = [
        "",
        unit,
        f"{unit}/",
        f"{unit}:",
        f"north/{unit}/",
        "urn:dev:ow:10e2073a01080063:",
        "urn:dev:mac:1_",
        "other/",
    ]
    return st.sampled_from(names)


@st.composite
def packs(draw: st.DrawFn, unit: str) -> list[dict[str, Any]]:
    """Draw a pack with labels as text."""
    pack: list[dict[str, Any]] = draw(st.lists(_records(unit), max_size=6))
    is_absolute: int = draw(st.integers(0, 5))
    if pack and is_absolute:  # nearly always as it should be: whose, and when
        pack[0] |= {"bn": draw(_bases(unit)), "bt": _START_S + draw(st.integers(0, 90))}
    return pack


@st.composite
def _records(draw: st.DrawFn, unit: str) -> dict[str, Any]:
    name = draw(_names(unit))
    record: dict[str, Any] = {"n": name}
    if name == "trailer":
        record["vs"] = draw(st.sampled_from(["R-77", "", "R-78"]))
    elif name.endswith(("brake", "warning", "loaded")) and draw(st.booleans()):
        record["vb"] = draw(st.booleans())
    else:
        record["v"] = draw(_values)
    if draw(st.booleans()):
        record["t"] = draw(_offsets)
    if draw(st.integers(0, 3)) == 0:
        record["u"] = draw(st.sampled_from(_UNITS))
    if draw(st.integers(0, 5)) == 0:
        rare: dict[str, st.SearchStrategy[Any]] = {
            "bv": _values,
            "bs": _values,
            "s": _values,
            "bu": st.sampled_from(_UNITS),
            "bver": st.integers(1, 11),
            "ut": st.just(60),
            "vd": st.sampled_from(["aGkgCg", "a!", b"hi"]),
            "bt": _offsets,
            "bn": _bases(unit),
        }
        label = draw(st.sampled_from([*rare]))
        record[label] = draw(rare[label])
    return record


def with_numbers(pack: list[dict[str, Any]]) -> list[dict[Any, Any]]:
    """Give a pack with the labels of CBOR (RFC 8428, table 4)."""
    return [{_LABELS.get(label, label): value for label, value in record.items()} for record in pack]
