"""What the benchmarks send and land: drives of many units in each encoding, and a CAN log."""

import json
import math
from collections.abc import Iterator
from typing import Any

import cbor2

from airwatch.contract.message import RawMessage
from tests.messages import at, message, pressure

SAMPLES_A_MESSAGE = 60
N_COLUMNS = 9
N_UNITS = 200

_T0_S = 1_927_884_000
_LABELS = {"bn": -2, "bt": -3, "n": 0, "v": 2, "t": 6}  # RFC 8428, section 6: in CBOR labels are numbers


def blocks(n: int) -> Iterator[dict[str, Any]]:
    """Give pressure blocks: drives with governor cycles, brake uses and a parked end, units by turns."""
    for k in range(n):
        block, unit = divmod(k, N_UNITS)
        seconds = range(block * SAMPLES_A_MESSAGE, (block + 1) * SAMPLES_A_MESSAGE)
        drives = [s % 7200 < 6000 for s in seconds]
        cycle = [(s + 37 * unit) % 180 for s in seconds]
        kpa = [8 * round((730 + (170 * c / 60 if c < 60 else 170 * (180 - c) / 120)) / 8) for c in cycle]
        brakes = [d and (s + unit) % 45 < 4 for s, d in zip(seconds, drives, strict=True)]
        yield pressure(
            unit=f"K-{unit:03}",
            seq=block,
            t0=at(seconds[0]),
            supply_kpa=kpa,
            primary_kpa=[p - 8 * b for p, b in zip(kpa, brakes, strict=True)],
            secondary_kpa=[p - 8 for p in kpa],
            application_kpa=[210 * b for b in brakes],
            engine_rpm=[
                round((1200 + 300 * math.sin((s + 31 * unit) / 17)) * 8) / 8 if d else 0
                for s, d in zip(seconds, drives, strict=True)
            ],
            speed_kph=[
                round(60 + 20 * math.sin((s + 31 * unit) / 40), 2) if d else 0
                for s, d in zip(seconds, drives, strict=True)
            ],
            ambient_c=[4] * len(kpa),
            park_brake=[int(not d) for d in drives],
            service_brake=[int(b) for b in brakes],
        )


def in_json(block: dict[str, Any]) -> RawMessage:
    """Write a block as JSON."""
    return message(block, content_type="application/json")


def in_cbor(block: dict[str, Any]) -> RawMessage:
    """Write a block as CBOR."""
    return message(cbor2.dumps(block), unit=block["unit"], content_type="application/cbor")


def in_senml_json(block: dict[str, Any]) -> RawMessage:
    """Write a block as SenML JSON, one record a value."""
    body = json.dumps(_senml(block)).encode()
    return message(body, unit=block["unit"], content_type="application/senml+json")


def in_senml_cbor(block: dict[str, Any]) -> RawMessage:
    """Write a block as SenML CBOR, one record a value."""
    records = [{_LABELS[name]: value for name, value in record.items()} for record in _senml(block)]
    return message(cbor2.dumps(records), unit=block["unit"], content_type="application/senml+cbor")


def _senml(block: dict[str, Any]) -> list[dict[str, Any]]:
    columns = {name: values for name, values in block.items() if isinstance(values, list)}
    begin = _T0_S + block["seq"] * SAMPLES_A_MESSAGE
    records: list[dict[str, Any]] = [
        {"n": name, "t": j, "v": value} for name, values in columns.items() for j, value in enumerate(values)
    ]
    records[0] = {"bn": f"{block['unit']}/", "bt": begin, **records[0]}
    return records


def can_log(n: int) -> Iterator[bytes]:
    """Give ``n`` lines of a truck's bus as candump writes them: mostly engine speed and road speed, air each second."""
    for k in range(n):
        t = _T0_S + k * 0.01
        if k % 100 == 99:
            kpa = 100 + k // 100 % 12
            yield b"(%.6f) can0 18FEAE30#FFFF%02X%02XFFFFFFFF\n" % (t, kpa, kpa - 1)
        elif k % 10 == 5:
            yield b"(%.6f) can0 18FEF100#F3%04XF0FFFFFF00\n" % (t, 40 * 256 + k % 200)
        elif k % 10 == 7:
            yield b"(%.6f) can0 18F0010B#CF0000FFF0FFFF00\n" % t
        else:
            yield b"(%.6f) can0 0CF00400#F07D84%04X00F07D\n" % (t, (900 + k % 600) * 8)
