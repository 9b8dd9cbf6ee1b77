"""The recordings of tests/data, decoded by airwatch and by cantools from a DBC written here, value by value."""

import gzip
from collections import Counter, defaultdict
from functools import cache
from pathlib import Path

import cantools.database
import polars as pl
import pytest
from cantools.database.can import Database

from airwatch.can.candump import decode_candump, parse_candump
from airwatch.can.frames import select_frames
from airwatch.can.j1939 import CanDecoded
from airwatch.can.signals import load_signals
from airwatch.can.values import Stream, decode_signals

DATA = Path(__file__).parents[1] / "data"
DRIVE, BRAKING, BENCH = "short-drive", "short-drive-brake-use", "bench-abs-dm1-bam"
RECORDINGS = [DRIVE, BRAKING, BENCH]
CAB, ENGINE, BRAKES = 49, 0, 11

# Positions, scales and offsets as Equipment-and-Tool-Institute/j1939-84 gives them (j1939da-extract.csv, extract of the
# J1939 digital annex of October 2020), put down here a second time and apart from signals.toml. Names are SPNs.
DBC = """VERSION ""
BS_:
BU_: Vector__XXX
BO_ 2566827774 AIR1: 8 Vector__XXX
 SG_ S46 : 0|8@1+ (8,0) [0|2000] "kPa" Vector__XXX
 SG_ S1087 : 16|8@1+ (8,0) [0|2000] "kPa" Vector__XXX
 SG_ S1088 : 24|8@1+ (8,0) [0|2000] "kPa" Vector__XXX
 SG_ S1351 : 48|2@1+ (1,0) [0|3] "" Vector__XXX
BO_ 2566847230 B1: 8 Vector__XXX
 SG_ S116 : 0|8@1+ (4,0) [0|1000] "kPa" Vector__XXX
 SG_ S117 : 8|8@1+ (4,0) [0|1000] "kPa" Vector__XXX
 SG_ S118 : 16|8@1+ (4,0) [0|1000] "kPa" Vector__XXX
BO_ 2364540158 EEC1: 8 Vector__XXX
 SG_ S190 : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
BO_ 2566844926 CCVS1: 8 Vector__XXX
 SG_ S70 : 2|2@1+ (1,0) [0|3] "" Vector__XXX
 SG_ S84 : 8|16@1+ (0.00390625,0) [0|250.99609375] "km/h" Vector__XXX
 SG_ S597 : 28|2@1+ (1,0) [0|3] "" Vector__XXX
BO_ 2566845950 AMB: 8 Vector__XXX
 SG_ S171 : 24|16@1+ (0.03125,-273) [-273|1734.96875] "degC" Vector__XXX
BO_ 2565865982 EBC1: 8 Vector__XXX
 SG_ S1438 : 44|2@1+ (1,0) [0|3] "" Vector__XXX
 SG_ S1792 : 62|2@1+ (1,0) [0|3] "" Vector__XXX
"""
PGN_OF = {"AIR1": 65198, "B1": 65274, "EEC1": 61444, "CCVS1": 65265, "AMB": 65269, "EBC1": 61441}


@cache
def frames(name: str) -> pl.DataFrame:
    parsed = parse_candump(gzip.decompress((DATA / f"{name}.candump.log.gz").read_bytes()))
    assert parsed.bad_lines.is_empty()
    assert parsed.counts.n_frames == parsed.counts.n_lines
    return parsed.frames


@cache
def decoded(name: str) -> CanDecoded:
    return decode_candump(gzip.decompress((DATA / f"{name}.candump.log.gz").read_bytes()))


def streams(name: str) -> list[Stream]:
    table = load_signals()
    used, _ = select_frames(frames(name), [message.pgn for message in table.messages])
    return decode_signals(used, table)[0]


def in_seconds(samples: pl.DataFrame) -> pl.DataFrame:
    return samples.with_columns(t=pl.col("t").dt.timestamp("us") / 1e6)


def test_the_dbc_is_of_the_groups_it_names() -> None:
    database = cantools.database.load_string(DBC, database_format="dbc")
    assert isinstance(database, Database)
    assert {m.name: m.frame_id >> 8 & 0x3FFFF for m in database.messages} == PGN_OF
    assert {f"S{signal.spn}" for signal in load_signals().signals} == {
        s.name for m in database.messages for s in m.signals
    }


@pytest.mark.parametrize("name", RECORDINGS)
def test_every_value_is_what_cantools_decodes(name: str) -> None:
    database = cantools.database.load_string(DBC, database_format="dbc")
    assert isinstance(database, Database)
    messages = {PGN_OF[message.name]: message for message in database.messages}
    theirs: defaultdict[tuple[int, int], list[tuple[int, float]]] = defaultdict(list)
    for t, can_id, data, _ in frames(name).with_columns(pl.col("t").to_physical()).iter_rows():
        if (message := messages.get(can_id >> 8 & 0x3FFFF)) is not None:
            codes = message.decode(data, decode_choices=False, scaling=False)
            values = message.decode(data, decode_choices=False)
            assert isinstance(codes, dict)
            assert isinstance(values, dict)
            for signal in message.signals:
                code, value = codes[signal.name], values[signal.name]
                assert isinstance(code, int)
                assert isinstance(value, int | float)
                if code <= {2: 1, 8: 0xFA, 16: 0xFAFF}[signal.length]:
                    theirs[int(signal.name[1:]), can_id & 0xFF].append((t, value))
    ours = {
        (s.signal.spn, s.source_address): list(zip(s.t_us.tolist(), s.value.tolist(), strict=True))
        for s in streams(name)
    }
    assert ours == theirs
    assert sum(map(len, ours.values())) == decoded(name).counts.n_valid > 2800


# What the publisher's files show when read by hand: tests/data/README.md.
@pytest.mark.parametrize(("name", "low_kpa", "high_kpa"), [(DRIVE, 800.0, 808.0), (BRAKING, 744.0, 768.0)])
def test_circuit_1_of_the_drives(name: str, low_kpa: float, high_kpa: float) -> None:
    (circuit_1,) = (s for s in streams(name) if s.signal.spn == 1087)
    assert (len(circuit_1.t_us), circuit_1.source_address) == (30, CAB)
    assert (circuit_1.value.min(), circuit_1.value.max()) == (low_kpa, high_kpa)


@pytest.mark.parametrize("name", [DRIVE, BRAKING])
def test_the_drives_give_a_sample_a_second_of_b1_within_a_step_of_air1(name: str) -> None:
    samples = decoded(name).samples
    assert samples.height == 30
    (b1,) = (s for s in streams(name) if s.signal.spn == 117)
    assert samples["t"].to_physical().to_list() == b1.t_us.tolist()
    assert samples["primary_kpa"].to_list() == b1.value.tolist()
    (air1,) = (s for s in streams(name) if s.signal.spn == 1087)
    assert abs(air1.last(b1.t_us, window_us=2_000_000) - b1.value).max() <= 8.0


def test_short_drive() -> None:
    samples = decoded(DRIVE).samples
    assert samples["speed_kph"].is_between(23, 55).all()
    assert samples["engine_rpm"].is_between(1147, 1786).all()
    assert samples.select("park_brake", "service_brake").unique().rows() == [
        (0, 0)
    ]  # from the cab: the engine has none
    empty = ["supply_kpa", "trailer_kpa", "application_kpa", "low_air_warning", "compressor_loaded"]
    assert samples.select(pl.col(empty).null_count()).row(0) == (30,) * 5


def test_braking_drive() -> None:
    (switch,) = (s for s in streams(BRAKING) if s.signal.spn == 597)
    assert (switch.source_address, len(switch.value), switch.value.sum()) == (CAB, 300, 95)
    assert decoded(BRAKING).samples["service_brake"].sum() == pytest.approx(9.5, abs=1.5)  # 30 samples of those 300


# Reported by the cab controller of that truck in both recordings; SPN 96 and 829 with FMI 3 are voltages too high.
@pytest.mark.parametrize("name", [DRIVE, BRAKING])
def test_broadcast_codes_of_the_drives(name: str) -> None:
    codes = decoded(name).fault_codes
    assert set(codes.filter(source_address=CAB).select("spn", "fmi").rows()) == {(96, 3), (829, 3)}
    assert set(codes.filter(source_address=ENGINE).select("spn", "fmi").rows()) == {(84, 9), (191, 9), (5357, 31)}


def test_bench_brake_controller_codes() -> None:
    """95 announcements, of which 16 lack packets; the usual message names seven codes."""
    announced = frames(BENCH).filter(
        (pl.col("can_id") == 0x18ECFF0B) & pl.col("data").bin.starts_with(b"\x20"),
    )
    assert announced.height == 95
    bench = decoded(BENCH)
    usual = {(811, 13), (789, 2), (790, 2), (791, 2), (792, 2), (802, 4), (1045, 7)}
    brakes = bench.fault_codes.filter(source_address=BRAKES)
    sets = brakes.group_by("t").agg(pl.struct("spn", "fmi"))["spn"].to_list()
    assert usual in [{(code["spn"], code["fmi"]) for code in codes} for codes in sets]
    assert set(brakes.select("spn", "fmi").rows()) == usual | {(639, 5)}  # 639/5 is in ten messages at the start
    assert bench.fault_reports.filter(source_address=BRAKES).height == 7  # none, then six sets or signs of life
    engine = bench.fault_codes.filter(source_address=ENGINE).group_by("t").len()["len"]
    assert engine.to_list() == [34, 34]  # its 47 codes hold SPN 1668 FMI 9 fourteen times
    whole_and_broken = bench.counts.n_transfers + bench.counts.n_broken_transfers
    assert (whole_and_broken, bench.counts.n_transfers) == (129, 108)


def test_bench_has_no_pressure_and_still_has_samples() -> None:
    bench = decoded(BENCH)
    assert bench.samples["primary_kpa"].null_count() == bench.samples.height == 84
    assert bench.samples["engine_rpm"].unique().to_list() == [0.0]
    assert (in_seconds(bench.samples)["t"] % 1).unique().to_list() == [0.0]
    lamps = bench.lamp_events.select("lamp", "is_on").rows()
    assert lamps == [("tractor_abs", True), ("trailer_abs", False)]
    assert bench.counts.n_error > 0  # park and brake switch of address 0 say 'error' there


def test_cut_at_any_message_border_the_samples_stay_the_same() -> None:
    """Text comes in messages: what a later part lacks is at most what was said in the 2 s before it."""
    text = gzip.decompress((DATA / f"{BRAKING}.candump.log.gz").read_bytes())
    lines = text.splitlines(keepends=True)
    parts = [decode_candump(b"".join(lines[i : i + 700])).samples for i in range(0, len(lines), 700)]
    together = pl.concat(parts).filter(pl.col("primary_kpa").is_not_null())
    whole = decoded(BRAKING).samples
    assert together["t"].to_list() == whole["t"].to_list()
    assert together["primary_kpa"].to_list() == whole["primary_kpa"].to_list()


def test_no_vehicle_identity_is_in_the_recordings() -> None:
    """Only the groups that tests/data/README.md names; of broadcasts only DM1."""
    allowed = {65198, 65274, 61444, 65265, 61441, 65215, 65226}
    for name in RECORDINGS:
        seen: Counter[int] = Counter()
        for can_id, data in frames(name).select("can_id", "data").iter_rows():
            pgn = can_id >> 8 & 0x3FFFF
            if pgn == 0xECFF:
                assert (data[0], int.from_bytes(data[5:8], "little")) == (32, 65226)
            elif pgn != 0xEBFF:
                seen[pgn] += 1
        assert set(seen) <= allowed
