from datetime import datetime

import polars as pl
import pytest

from airwatch.can.frames import FRAME_SCHEMA
from airwatch.can.j1939 import decode_frames

T = datetime(2031, 2, 3)  # noqa: DTZ001 - times inside the program are UTC without a zone
EEC1, AIR1, B1, CCVS1, AMB, EBC1 = 0x0CF00400, 0x18FEAE31, 0x18FEFA31, 0x18FEF131, 0x18FEF500, 0x18F0010B


def one(can_id: int, data: str) -> pl.DataFrame:
    return pl.DataFrame({"t": [T], "can_id": [can_id], "data": [bytes.fromhex(data)]}, schema=FRAME_SCHEMA)


# Greatest valid codes 0xFA and 0xFAFF, error 0xFE.., not available 0xFF..: SAE J1939-71 table 1. They make 2000 kPa,
# 8031.875 rpm and 250.996 km/h.
@pytest.mark.parametrize(
    ("can_id", "data", "column", "value"),
    [
        (AIR1, "64FFFFFFFFFFFFFF", "supply_kpa", 800.0),
        (AIR1, "00FFFFFFFFFFFFFF", "supply_kpa", 0.0),
        (AIR1, "FAFFFFFFFFFFFFFF", "supply_kpa", 2000.0),
        (AIR1, "FFFF65FFFFFFFFFF", "primary_kpa", 808.0),
        (AIR1, "FFFFFF64FFFFFFFF", "secondary_kpa", 800.0),
        (B1, "FFC900FFFFFFFFFF", "primary_kpa", 804.0),
        (B1, "23C900FFFFFFFFFF", "application_kpa", 140.0),
        (B1, "FFC900FFFFFFFFFF", "secondary_kpa", 0.0),
        (EEC1, "FFFFFFE02EFFFFFF", "engine_rpm", 1500.0),
        (EEC1, "FFFFFFFFFAFFFFFF", "engine_rpm", 8031.875),
        (CCVS1, "FF8037FFFFFFFFFF", "speed_kph", 55.5),
        (CCVS1, "FFFFFAFFFFFFFFFF", "speed_kph", 250.99609375),
    ],
)
def test_valid_codes(can_id: int, data: str, column: str, value: float) -> None:
    decoded = decode_frames(one(can_id, data))
    assert decoded.samples[column].to_list() == [value]
    assert decoded.counts.n_valid >= 1


@pytest.mark.parametrize(
    ("can_id", "data", "counted"),
    [
        (AIR1, "FFFF{:02X}FFFFFFFFFF", {0xFB: "reserved", 0xFD: "reserved", 0xFE: "error", 0xFF: "not_available"}),
        (EEC1, "FFFFFF00{:02X}FFFFFF", {0xFB: "reserved", 0xFD: "reserved", 0xFE: "error", 0xFF: "not_available"}),
        (EEC1, "FFFFFFFF{:02X}FFFFFF", {0xFB: "reserved", 0xFD: "reserved", 0xFE: "error", 0xFF: "not_available"}),
    ],
)
def test_other_codes_are_null_and_counted(can_id: int, data: str, counted: dict[int, str]) -> None:
    n_signals = {AIR1: 4, EEC1: 1}[can_id]
    for code, kind in counted.items():
        decoded = decode_frames(one(can_id, data.format(code)))
        assert decoded.samples.is_empty()  # nothing valid was heard
        counts = {k: getattr(decoded.counts, f"n_{k}") for k in ("valid", "reserved", "error", "not_available")}
        expected = dict.fromkeys(counts, 0) | {"not_available": n_signals - (kind != "not_available")}
        assert counts == expected | ({kind: 1} if kind != "not_available" else {})


# 00 off, 01 on, 10 error, 11 not available: SAE J1939-71 table 2. Byte 1 bits 3-4 are SPN 70, byte 4 bits 5-6 SPN 597.
@pytest.mark.parametrize(("code", "value"), [(0b00, 0), (0b01, 1), (0b10, None), (0b11, None)])
def test_two_bit_status(code: int, value: int | None) -> None:
    data = f"{0b11110011 | code << 2:02X}0000{0b11001111 | code << 4:02X}FFFFFFFF"
    decoded = decode_frames(one(CCVS1, data))
    assert decoded.samples.schema["park_brake"] == pl.Int8
    assert decoded.samples.select("park_brake", "service_brake").rows() == [(value, value)]
    assert decoded.counts.n_error == (2 if code == 0b10 else 0)
    assert decoded.counts.n_not_available == (2 if code == 0b11 else 0)


@pytest.mark.parametrize(("code", "is_on"), [(0b00, [False]), (0b01, [True]), (0b10, []), (0b11, [])])
def test_lamp_request(code: int, is_on: list[bool]) -> None:
    data = f"FFFFFFFFFF{0b11001111 | code << 4:02X}FF{0b00111111 | code << 6:02X}"
    decoded = decode_frames(one(EBC1, data))
    assert decoded.lamp_events.select("lamp", "is_on").rows() == [
        (lamp, on) for lamp in ("tractor_abs", "trailer_abs") for on in is_on
    ]
    assert decoded.counts.n_reserved == (2 if code == 0b10 else 0)
    assert decoded.counts.n_error == 0


def test_compressor_and_ambient() -> None:
    rows = pl.concat([one(AMB, "FFFFFFE024FFFFFF"), one(AIR1, "64FFFFFFFFFFFDFF")])  # 0x24E0 / 32 - 273 = 22
    decoded = decode_frames(rows)
    assert decoded.samples.select("supply_kpa", "ambient_c", "compressor_loaded").rows() == [(800.0, 22.0, 1)]


def test_columns_that_nobody_sends_are_there_and_null() -> None:
    samples = decode_frames(one(AIR1, "64FFFFFFFFFFFFFF")).samples
    assert samples["trailer_kpa"].to_list() == [None]
    assert samples["low_air_warning"].to_list() == [None]
    assert samples.schema["low_air_warning"] == pl.Int8
