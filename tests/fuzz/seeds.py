"""Good messages of every stream and encoding: where mutation begins, and the neighbours that must stay unharmed."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import cbor2

from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import CBOR, JSON, SENML_CBOR, SENML_JSON, TEXT
from tests.messages import FLEET, T0, T0_US, UNIT, at, faults, governor, pressure

__all__ = ["T0_US", "neighbours", "seeds"]

_QUIET_FLEET = "quiet"
_APART_S = 100
_CBOR_LABELS = {"bn": -2, "bt": -3, "bu": -4, "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "t": 6}


def good_messages(fleet: str, unit: str, start_s: float) -> list[RawMessage]:
    """Give one message of each stream and encoding, ``start_s`` after `T0`; each adds rows to a store."""
    block = pressure(
        unit=unit,
        trailer="R-77",
        t0=at(start_s),
        primary_kpa=[824, 816.5, None],
        secondary_kpa=[824, 816, 808],
        engine_rpm=[650, 655.125, 700],
        speed_kph=[0, 0, 3.5],
        park_brake=[1, 1, 0],
    )
    irregular = pressure(unit=unit, t0=at(start_s + 10), dt_ms=..., t_ms=[0, 1500], supply_kpa=[832, 824])
    cut = governor({"t": at(start_s), "kind": "cut_out", "supply_kpa": 896}, {"t": at(start_s + 9), "kind": "cut_in"})
    active = faults(
        t=at(start_s),
        codes=[{"spn": 789, "fmi": 5, "count": 3}, {"spn": 790, "fmi": 2}],
        lamps=[{"lamp": "tractor_abs", "t": at(start_s), "on": True}, {"lamp": "key", "t": at(start_s), "on": False}],
    )
    bodies: list[tuple[str, str, Callable[[Any], bytes], Any]] = [
        ("pressure", JSON, _json, block),
        ("pressure", CBOR, cbor2.dumps, irregular),
        ("pressure", SENML_JSON, _json, _pack(unit, start_s + 20)),
        ("pressure", SENML_CBOR, cbor2.dumps, _numbered(_pack(unit, start_s + 30))),
        ("governor", JSON, _json, cut | {"unit": unit}),
        (
            "governor",
            CBOR,
            cbor2.dumps,
            cut | {"unit": unit, "events": [{"t": _tagged(start_s + 1), "kind": "cut_in"}]},
        ),
        ("faults", JSON, _json, active | {"unit": unit}),
        ("faults", CBOR, cbor2.dumps, active | {"unit": unit, "t": _tagged(start_s + 1)}),
        ("can", TEXT, lambda text: text, _candump(start_s + 40)),
    ]
    return [
        RawMessage(f"air/v1/{fleet}/{unit}/{stream}", write(body), T0_US, content_type)
        for stream, content_type, write, body in bodies
    ]


def neighbours(number: int) -> list[RawMessage]:
    """Give the good messages of a batch; no two numbers share a moment."""
    return good_messages(_QUIET_FLEET, "Q-1", number * _APART_S)


def seeds() -> list[RawMessage]:
    """Give messages to mutate: the good ones, and such as take other ways through the program."""
    early = pressure(t0="2031-02-03T12:20:00.5+01:00", dt_ms=1e3, primary_kpa=[1])
    unlike = pressure(primary_kpa=[float("nan"), cbor2.undefined])
    exact = pressure(primary_kpa=[cbor2.CBORTag(4, [-1, 8245]), 2**70], t0=_tagged(0))
    device = [{"bn": f"urn:dev:ow:1:{UNIT}_", "bver": 10, "n": "primary_kpa", "s": 3, "u": "Pa", "v": 8e5}]
    more: list[tuple[str, str, bytes]] = [
        ("pressure", JSON, _json(pressure(primary_kpa=..., dt_ms=60000))),
        ("pressure", JSON, _json(pressure(trailer=None, axle_kg=[1, {"a": [None, True]}], primary_kpa=[2008, -8]))),
        ("pressure", JSON, _json(early).replace(b"[1]", b"[1e999]")),
        ("pressure", CBOR, cbor2.dumps(unlike, indefinite_containers=True)),
        ("pressure", CBOR, cbor2.dumps(exact)),
        ("pressure", SENML_JSON, _json(device)),
        ("can", TEXT, _dm1_broadcast()),
        ("can", TEXT, b"(1.0) can0 123#DEADBEEF\n(1.0) can0 18FEAE0B##1FF\n(1.0) can0 18FEAE0B#R\nbroken\n\n"),
    ]
    others = [RawMessage(f"air/v1/{FLEET}/{UNIT}/{stream}", body, T0_US, named) for stream, named, body in more]
    return good_messages(FLEET, UNIT, 0) + others


def _json(body: Any) -> bytes:
    return json.dumps(body).encode()


def _tagged(start_s: float) -> datetime:
    """Give a time that `cbor2` writes with tag 0."""
    return T0.astimezone(UTC) + timedelta(seconds=start_s)


def _pack(unit: str, start_s: float) -> list[dict[str, Any]]:
    return [
        {"bn": f"{unit}/", "bt": T0.timestamp() + start_s, "bu": "kPa", "n": "primary_kpa", "v": 824},
        {"n": "secondary_kpa", "v": 816},
        {"n": "engine_rpm", "u": "1/min", "v": 650},
        {"n": "park_brake", "vb": True},
        {"n": "trailer", "vs": "R-77"},
        {"n": "primary_kpa", "t": 1, "u": "hPa", "v": 8160},
    ]


def _numbered(pack: list[dict[str, Any]]) -> list[dict[int, Any]]:
    return [{_CBOR_LABELS[label]: value for label, value in record.items()} for record in pack]


def _candump(start_s: float) -> bytes:
    start = T0.timestamp() + start_s
    frames = [
        (0.0, "18FEAE30#67FFCDCCFFFFFFFF"),  # AIR1
        (0.05, "0CF00400#FFFFFF0032FFFFFF"),  # EEC1
        (0.1, "18FEF100#FF0032FFFFFFFFFF"),  # CCVS1
        (0.25, "18FEFA0B#00CDCCFFFFFFFFFF"),  # B1
        (0.3, "18F0010B#FFFFFFFFFFDFFF7F"),  # EBC1
        (0.4, "18FECA0B#00FF150305010000"),  # DM1
        (1.25, "18FEFA0B#10CCCBFFFFFFFFFF"),
    ]
    return "".join(f"({start + t:.6f}) can0 {frame}\n" for t, frame in frames).encode()


def _dm1_broadcast() -> bytes:
    """Announce and send a DM1 of ten bytes."""
    frames = ["18ECFF0B#200A0002FFCAFE00", "18EBFF0B#0100FF15030501AA", "18EBFF0B#02030501FFFFFFFF"]
    return "".join(f"({T0.timestamp() + k / 10:.6f}) can0 {frame}\n" for k, frame in enumerate(frames)).encode()
