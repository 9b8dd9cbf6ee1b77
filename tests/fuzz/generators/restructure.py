"""Edits inside a payload's own structure, by a plain random number generator: for a fuzzer that only knows bytes.

A change of single bytes seldom leaves JSON or CBOR whole, so it would rarely come as far as the rules of the contract.
"""

import json
import random
from typing import Any

import cbor2

from airwatch.contract.columns import COLUMN_NAMES
from tests.fuzz.addressed import CBOR, SENML_CBOR, TEXT
from tests.fuzz.generators.odd import EDGES, FLOATS, TEXTS, TIMES
from tests.messages import at

_NAMES = (
    *COLUMN_NAMES,
    "trailer",
    "t_ms",
    "dt_ms",
    "codes",
    "lamps",
    "count",
    "bn",
    "bt",
    "bu",
    "bv",
    "bs",
    "v",
    "vb",
    "t",
    "x",
)
_WORDS = ("cut_in", "cut_out", "key", "tractor_abs", "R-77", "kPa", "Pa", "1/min", "primary_kpa", "K-204/")
_DESCEND = 8
_SELDOM = 0.1
_FRAMES = "0123456789ABCDEFabcdef#R_ G.()\t"


def restructured(payload: bytes, encoding: str, rng: random.Random) -> bytes | None:
    """Give the payload with an edit or two; None if it has not the structure that its encoding says."""
    if encoding == TEXT:
        return _lines(payload, rng)
    is_cbor = encoding in {CBOR, SENML_CBOR}
    try:
        document = cbor2.loads(payload) if is_cbor else json.loads(payload)
        for _ in range(rng.choice([1, 1, 2])):
            document = _edit(document, rng)
        return cbor2.dumps(document) if is_cbor else json.dumps(document, ensure_ascii=rng.random() < 0.5).encode()
    except Exception:  # not whole, or not to be written: then its bytes are changed as they are
        return None


def _edit(node: Any, rng: random.Random) -> Any:
    if isinstance(node, dict) and node:
        return _edit_fields(dict(node), rng)
    if isinstance(node, list) and node:
        return _edit_items(list(node), rng)
    return _value(node, rng)


def _edit_fields(fields: dict[Any, Any], rng: random.Random) -> dict[Any, Any]:
    key = rng.choice([*fields])
    if "unit" in fields and key in {"unit", "v"} and rng.random() > _SELDOM:  # always refused, in the same way
        return fields
    way = rng.choice(["inside"] * _DESCEND + ["drop", "rename", "insert"])
    if way == "inside":
        fields[key] = _edit(fields[key], rng)
    elif way == "drop":
        del fields[key]
    elif way == "rename":
        fields[rng.choice(_NAMES)] = fields.pop(key)
    else:
        fields[rng.choice([*_NAMES, *TEXTS])] = _edit(fields[key], rng)
    return fields


def _edit_items(items: list[Any], rng: random.Random) -> list[Any]:
    index = rng.randrange(len(items))
    way = rng.choice(["inside"] * _DESCEND + ["drop", "double", "reverse", "repeat"])
    if way == "inside":
        items[index] = _edit(items[index], rng)
    elif way == "drop":
        del items[index]
    elif way == "double":
        items.insert(index, items[index])
    elif way == "reverse":
        items.reverse()
    else:
        items *= rng.randint(0, 8)
    return items


def _value(old: Any, rng: random.Random) -> Any:
    """Give another value, more often than not of the same sort."""
    if rng.random() < _SELDOM:
        return rng.choice([None, True, False, [], {}, [old], {"a": old}, rng.choice(TEXTS), rng.choice(EDGES)])
    if isinstance(old, bool):
        return not old
    if isinstance(old, int | float):
        return rng.choice(
            [rng.randint(0, 2100), rng.uniform(-1, 2100), old + 1, -old, rng.choice(EDGES), rng.choice(FLOATS)]
        )
    if isinstance(old, str) and old[:2].isdigit():
        return rng.choice([at(rng.randint(0, 90)), at(rng.randint(0, 90)), rng.choice(TIMES)])
    if isinstance(old, str):
        return rng.choice(
            [rng.choice(TEXTS), rng.choice(_NAMES), rng.choice(_WORDS), rng.choice(_WORDS), old + "/", old[1:]]
        )
    return rng.choice([rng.randint(0, 1), at(rng.randint(0, 90)), None])


def _lines(payload: bytes, rng: random.Random) -> bytes:
    lines = payload.split(b"\n")
    index = rng.randrange(len(lines))
    way = rng.choice(["character", "character", "data", "time", "drop", "double", "swap"])
    if way == "drop":
        del lines[index]
    elif way == "double":
        lines.insert(rng.randrange(len(lines)), lines[index])
    elif way == "swap":
        rng.shuffle(lines)
    elif way == "data":
        head, sign, _ = lines[index].partition(b"#")
        lines[index] = head + sign + rng.randbytes(rng.choice([8, 8, 8, 3, 0])).hex().upper().encode()
    elif way == "time":
        _, sign, rest = lines[index].partition(b")")
        lines[index] = (
            f"({1927884000 + rng.randint(0, 90)}.{rng.choice(['0', '25', '123', '123456'])}".encode() + sign + rest
        )
    elif lines[index]:
        place = rng.randrange(len(lines[index]))
        lines[index] = lines[index][:place] + rng.choice(_FRAMES).encode() + lines[index][place + rng.randint(0, 1) :]
    return b"\n".join(lines)
