"""SenML packs, resolved by plain loops: RFC 8428, section 4, and the head of `airwatch.contract.senml`."""

from collections import defaultdict
from collections.abc import Callable
from typing import Any

from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from tests.fuzz.properties import as_double, fitting
from tests.fuzz.reading.landing import Expected

_LABELS = {-6: "bs", -5: "bv", -4: "bu", -3: "bt", -2: "bn", -1: "bver", 0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb"}
_LABELS |= {5: "s", 6: "t", 7: "ut", 8: "vd"}
_CONVERT: dict[str, Callable[[float], float]] = {
    "Pa": lambda v: v / 1000,
    "hPa": lambda v: v / 10,
    "1/s": lambda v: v * 60,
    "Hz": lambda v: v * 60,
    "m/s": lambda v: v * 3.6,
    "K": lambda v: v - 273.15,
}
_RELATIVE_BELOW_S = 2**28


def read_pack(pack: list[dict[Any, Any]], unit: str, received_us: int) -> Expected:
    """Say what is to land of a pack that was accepted."""
    rows: dict[int, dict[str, Any]] = defaultdict(dict)
    trailer = None
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0}
    for keyed in pack:
        record = {_LABELS.get(key, key): value for key, value in keyed.items()}
        base |= {key: record[key] for key in ("bn", "bt", "bu", "bv") if key in record}
        if "bv" in record:
            base["has_value"] = True
        if "bs" in record:
            base["has_sum"] = True
        column = _column(base["bn"] + record.get("n", ""), unit)
        value = next((record[key] for key in ("vs", "vb") if key in record), None)
        if "v" in record:
            value = as_double(record["v"]) + as_double(base["bv"])
        elif value is None and _stands_for_base_value(record, base):
            value = as_double(base["bv"])
        if column is None or value is None:
            continue
        if column == "trailer":
            trailer = value
            continue
        t_s = as_double(base["bt"]) + as_double(record.get("t", 0))
        t_us = t_s * 1e6 + (received_us if t_s < _RELATIVE_BELOW_S else 0)
        convert = _CONVERT.get(record.get("u", base["bu"]))
        if convert is not None and not isinstance(value, bool):
            value = convert(value)
        rows[round(t_us / 1000) * 1000].setdefault(column, value)
    samples = [(t_us, *(fitting(rows[t_us].get(c.name), c) for c in COLUMNS)) for t_us in sorted(rows)]
    return Expected(None, trailer, samples=samples)


def _stands_for_base_value(record: dict[str, Any], base: dict[str, Any]) -> bool:
    """Tell whether a record without a value of its own has the base value (RFC 8428, 4.5.4)."""
    if "vd" in record or "s" in record or "has_sum" in base or "has_value" not in base:
        return False
    return "n" in record or any(key in record for key in ("u", "t", "ut", "bv", "bs"))


def _column(name: str, unit: str) -> str | None:
    columns = (*COLUMN_NAMES, "trailer")
    leaf = name.replace(":", "/").rsplit("/", 1)[-1]
    if name.startswith("urn:dev:"):
        return next((column for column in columns if leaf == column or leaf.endswith("_" + column)), None)
    if leaf == name and name.startswith(unit):
        leaf = name[len(unit) :]
    return leaf if leaf in columns else None
