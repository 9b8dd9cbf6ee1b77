"""The command line: help, exit status, one line of error, and what the exports look like."""

import base64
import csv
import gzip
import io
import json
import re
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import polars as pl
import pytest
import zstandard
from paho.mqtt.enums import CallbackAPIVersion

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.store.database import Store
from tests.broker import Mosquitto, wait_until
from tests.conftest import Airwatch, Command
from tests.messages import at, drive, faults, message, pressure, samples_of, write_recording

COMMANDS = ["demo", "serve", "subscribe", "replay", "land", "derive", "export"]
NOBODY = "mqtt://127.0.0.1:1"  # port 1 is tcpmux, which nobody runs
SWITCHES = ("park_brake", "service_brake", "low_air_warning", "compressor_loaded")
INSTANT = pl.Datetime("ms", "UTC")
# Contract section 6, column by column.
SCHEMAS: dict[str, dict[str, pl.DataType]] = {
    "readings": {
        "unit": pl.String(), "trailer": pl.String(), "circuit": pl.String(), "check": pl.String(), "start": INSTANT,
        "end": INSTANT, "value": pl.Float64(), "lower": pl.Float64(), "upper": pl.Float64(), "measure": pl.String(),
        "limit_low": pl.Float64(), "limit_high": pl.Float64(), "rule": pl.String(), "verdict": pl.String(),
        "note": pl.String(),
    },
    "alerts": {
        "id": pl.String(), "unit": pl.String(), "trailer": pl.String(), "fault": pl.String(), "circuit": pl.String(),
        "severity": pl.String(), "confidence": pl.Float64(), "opened": INSTANT, "updated": INSTANT,
        "crossing_early": INSTANT, "crossing_likely": INSTANT, "crossing_late": INSTANT, "state": pl.String(),
        "summary": pl.String(),
    },
    "rejects": {"received": INSTANT, "topic": pl.String(), "reason": pl.String(), "payload_b64": pl.String()},
    "samples": {
        "unit": pl.String(), "t": INSTANT,
        **{name: pl.Int8() if name in SWITCHES else pl.Float64() for name in COLUMN_NAMES},
    },
}  # fmt: skip
RFC3339_MS = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
HEADER = (
    "unit,fleet,kind,axles,trailer_towing,rule_set,home_shop,supply_l,primary_l,secondary_l,required_l,"
    "compressor_cc,governed_rpm,cut_out_kpa,chambers"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with a store in which a recording was landed and derived, by the commands."""
    folder = tmp_path_factory.mktemp("landed")
    airwatch = Airwatch(folder)
    codes = faults(codes=[{"spn": 789, "fmi": 5, "count": 3}], lamps=[{"lamp": "key", "t": at(0), "on": True}])
    bad = [message(b"\x00\xff"), message(pressure(v=3))]
    write_recording(folder / "a.ndjson.x", [*drive("K-204", 20), message(codes, "faults"), *bad])
    (folder / "a.ndjson.x").rename(folder / "a.ndjson")
    (folder / "units.csv").write_text(f"{HEADER}\nK-204,north,tractor,3,1,us,,20,40,40,,600,2100,900,\n")
    for arguments in (
        ("land", "a.ndjson", "--db", "a.duckdb", "--units", "units.csv"),
        ("derive", "--db", "a.duckdb"),
    ):
        done = airwatch.run(*arguments)
        assert (done.returncode, done.stderr) == (0, b"")
    return folder


def one_line(text: str) -> str:
    """Give what stands on standard error, which is one line."""
    assert text.endswith("\n")
    assert text.count("\n") == 1, text
    return text.removesuffix("\n")


# help and usage ------------------------------------------------------------------------------------------------------


def test_help_names_every_command_and_says_that_a_reading_clears_no_vehicle(command: Command) -> None:
    done = command("--help")
    assert (done.status, done.error) == (0, "")
    listed = re.findall(r"^  (\w+) ", done.out.decode().partition("Commands:")[2], re.MULTILINE)
    assert sorted({name for name in listed if name in COMMANDS}) == sorted(COMMANDS)
    assert "never clears a vehicle" in " ".join(done.out.decode().split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(command: Command, name: str) -> None:
    done = command(name, "--help")
    assert (done.status, done.error) == (0, "")
    assert re.match(rf"Usage: .*\bairwatch {name} ", done.out.decode())


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ([], "COMMAND [ARGS]..."),
        (["unknown"], "No such command 'unknown'"),
        (["land", "--db", "a.duckdb"], "Missing argument 'FILES...'"),
        (["land", "a.ndjson"], "Missing option '--db'"),
        (["derive"], "Missing option '--db'"),
        (["export", "samples"], "Missing option '--db'"),
        (["export", "everything", "--db", "a.duckdb"], "'everything' is not one of"),
        (["export", "samples", "--db", "a.duckdb", "--format", "xml"], "'xml' is not one of"),
        (["subscribe", "--db", "a.duckdb"], "Missing option '--broker'"),
        (["replay", "a.ndjson"], "Missing option '--broker'"),
        (["replay", "--broker", NOBODY], "Missing argument 'FILES...'"),
        (["replay", "a.ndjson", "--broker", NOBODY, "--speed", "-1"], "-1.0 is not in the range x>=0"),
        (["replay", "a.ndjson", "--broker", NOBODY, "--mqtt", "3"], "'3' is not one of"),
        (["derive", "--db", "a.duckdb", "--colour"], "No such option"),
    ],
)
def test_wrong_usage_is_status_2(command: Command, tmp_path: Path, arguments: list[str], why: str) -> None:
    done = command(*arguments)
    assert done.status == 2
    assert why in done.error
    assert list(tmp_path.iterdir()) == []


# failures ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["land", "no.ndjson", "--db", "a.duckdb"], "no.ndjson: can't be read as a recording: .*No such file"),
        (["land", "units.csv", "--db", "a.duckdb"], "units.csv: not a recording that can be landed; it must end in"),
        (["land", "drive.log", "--db", "a.duckdb"], "drive.log: a CAN recording does not say whose it is; add --unit"),
        (["land", "drive.log", "--unit", "K 1", "--db", "a.duckdb"], "--unit 'K 1': a unit's name is 1 to 64 of"),
        (["land", "cut.ndjson.zst", "--db", "a.duckdb"], "cut.ndjson.zst: can't be read .*inside a frame"),
        (["land", "a.ndjson", "--db", "no/a.duckdb"], "no/a.duckdb: can't be opened as a store"),
        (["land", "a.ndjson", "--db", "units.csv"], "units.csv: can't be opened as a store"),
        (["land", "a.ndjson", "--db", "a.duckdb", "--units", "no.csv"], "no.csv: can't be read as a registry"),
        (["land", "a.ndjson", "--db", "a.duckdb", "--units", "bad.csv"], r"bad.csv line 2: .*`\$\.kind`"),
        (["derive", "--db", "no.duckdb"], "no.duckdb: no such store; land something first"),
        (["export", "samples", "--db", "no.duckdb"], "no.duckdb: no such store; land something first"),
        (["export", "samples", "--db", "s.duckdb", "-o", "no/x.csv"], "no/x.csv: the export can't be written: "),
        (["subscribe", "--broker", NOBODY, "--db", "a.duckdb"], f"no broker answers at {NOBODY}: .*--broker"),
        (["subscribe", "--broker", "mqtt://no.invalid", "--db", "a.duckdb"], "no broker answers at mqtt://no.invalid:1883"),
        (["replay", "a.ndjson", "--broker", NOBODY], f"no broker answers at {NOBODY}: .*--broker"),
    ],
)  # fmt: skip
def test_what_can_not_be_done_is_status_1_and_one_line(
    command: Command, tmp_path: Path, arguments: list[str], why: str
) -> None:
    (tmp_path / "units.csv").write_text("unit\n")
    (tmp_path / "bad.csv").write_text(f"{HEADER}\nK-204,north,van,3,1,us,,20,40,40,,600,2100,900,\n")
    (tmp_path / "drive.log").write_text("")
    (tmp_path / "cut.ndjson.zst").write_bytes(b"\x28\xb5\x2f\xfd")
    write_recording(tmp_path / "a.ndjson", [message(pressure())])
    Store.open(tmp_path / "s.duckdb").close()
    done = command(*arguments)
    assert re.match(f"airwatch: .*{why}", one_line(done.error)), done.error
    assert done.status == 1


def test_a_store_that_is_in_use_is_status_1_and_one_line(airwatch: Airwatch, tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.duckdb"):
        done = airwatch.run("derive", "--db", "a.duckdb")
    assert one_line(done.stderr.decode()).startswith("airwatch: a.duckdb: the store is in use")
    assert done.returncode == 1


def test_the_console_script_ends_with_the_status_of_the_command(airwatch: Airwatch) -> None:
    done = [airwatch.run("--version"), airwatch.run("derive", "--db", "a.duckdb"), airwatch.run("derive")]
    assert [one.returncode for one in done] == [0, 1, 2]
    assert one_line(done[1].stderr.decode()).startswith("airwatch: a.duckdb: no such store")


@pytest.mark.broker
def test_a_line_that_can_not_be_published_is_named_and_the_others_are_published(
    mosquitto: Mosquitto, airwatch: Airwatch, tmp_path: Path
) -> None:
    whole = write_recording(tmp_path / "a.ndjson", drive("K-204", 3)).read_bytes()
    wildcard = {"received": at(0), "topic": "air/v1/+/K-204/pressure", "payload": {}}
    (tmp_path / "a.ndjson").write_bytes(whole + b"broken\n" + json.dumps(wildcard).encode() + b"\n")
    done = airwatch.run("replay", "a.ndjson", "--broker", mosquitto.url, "--speed", "0")
    assert (done.returncode, done.stdout.decode()) == (0, f"published 3 messages to {mosquitto.url}\n")
    assert re.findall(r"(a\.ndjson line \d+): .*not published", done.stderr.decode()) == [
        "a.ndjson line 4",
        "a.ndjson line 5",
    ]


@pytest.mark.broker
def test_a_recording_that_is_cut_short_is_published_as_far_as_it_goes(
    mosquitto: Mosquitto, command: Command, tmp_path: Path
) -> None:
    packed = gzip.compress(write_recording(tmp_path / "a.ndjson", drive("K-204", 3)).read_bytes())
    (tmp_path / "a.ndjson.gz").write_bytes(packed + packed[:100])
    heard: list[str] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, one: heard.append(one.topic)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    try:
        client.subscribe("air/v1/#", qos=1)
        assert subscribed.wait(60)
        done = command("replay", "a.ndjson.gz", "--broker", mosquitto.url, "--speed", "0")
        wait_until(lambda: len(heard) == 3, "what stood before the cut was not published")
    finally:
        client.disconnect()
        client.loop_stop()
    assert one_line(done.error).startswith("airwatch: a.ndjson.gz: can't be read as a recording")
    assert done.status == 1


# land ----------------------------------------------------------------------------------------------------------------


def test_landing_says_what_it_did_and_landing_again_adds_nothing(command: Command, tmp_path: Path) -> None:
    write_recording(tmp_path / "a.ndjson", [*drive("K-204", 3), message(b"x")])
    first = command("land", "a.ndjson", "--db", "a.duckdb")
    again = command("land", "a.ndjson", "--db", "a.duckdb")
    aside = "1 messages set aside (airwatch export rejects)\n"
    assert first.out.decode() == f"landed 180 samples of 3 messages; 0 samples were there already; {aside}"
    assert again.out.decode() == f"landed 0 samples of 3 messages; 180 samples were there already; {aside}"


def test_what_stands_before_a_cut_is_landed(command: Command, tmp_path: Path) -> None:
    path = write_recording(tmp_path / "a.ndjson", drive("K-204", 3))
    packed = zstandard.ZstdCompressor().compress(path.read_bytes())
    (tmp_path / "a.ndjson.zst").write_bytes(packed + packed[:100])
    done = command("land", "a.ndjson.zst", "--db", "a.duckdb")
    assert one_line(done.error).startswith("airwatch: a.ndjson.zst: can't be read as a recording")
    assert done.status == 1
    with Store.open(tmp_path / "a.duckdb") as store:
        assert store.frame("SELECT count(*) AS n FROM air.samples")["n"].item() == 180


def test_a_can_log_is_landed_for_the_unit_named_in_the_fleet_that_the_registry_has_for_it(
    command: Command, tmp_path: Path
) -> None:
    (tmp_path / "units.csv").write_text(f"{HEADER}\nK-204,north,tractor,3,1,us,,20,40,40,,600,2100,900,\n")
    (tmp_path / "drive.log").write_text("(1738581600.000000) can0 18FEAE0B#FFFF6464FFFFFFFF\n")
    for unit in ("K-204", "K-9"):
        done = command("land", "drive.log", "--unit", unit, "--db", "a.duckdb", "--units", "units.csv")
        assert (done.status, done.error) == (0, "")
    with Store.open(tmp_path / "a.duckdb") as store:
        landed = store.frame(
            "SELECT fleet, unit, primary_kpa FROM air.samples JOIN air.unit_keys USING (unit_key) ORDER BY unit"
        )
    # SPN 1087, byte 3 of AIR1, 8 kPa a bit: 0x64 is 800 kPa.
    assert landed.rows() == [("north", "K-204", 800.0), ("unassigned", "K-9", 800.0)]


# export --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", SCHEMAS)
def test_parquet_has_the_columns_and_types_of_the_contract(command: Command, folder: Path, table: str) -> None:
    target = folder / f"{table}.parquet"
    done = command("export", table, "--db", folder / "a.duckdb", "--format", "parquet", "-o", target)
    assert (done.status, done.error) == (0, "")
    frame = pl.read_parquet(target)
    assert frame.schema == pl.Schema(SCHEMAS[table])
    assert done.out.decode() == f"wrote {frame.height} rows to {target}\n"
    piped = command("export", table, "--db", folder / "a.duckdb", "--format", "parquet")
    assert pl.read_parquet(piped.out).equals(frame)


@pytest.mark.parametrize("table", SCHEMAS)
@pytest.mark.parametrize("fmt", ["ndjson", "csv"])
def test_text_has_the_columns_of_the_contract_and_times_in_rfc_3339(
    command: Command, folder: Path, table: str, fmt: str
) -> None:
    done = command("export", table, "--db", folder / "a.duckdb", "--format", fmt)
    binary = command("export", table, "--db", folder / "a.duckdb", "--format", "parquet")
    assert (done.status, done.error) == (0, "")
    rows: list[dict[str, Any]]
    if fmt == "csv":
        reader = csv.DictReader(io.StringIO(done.out.decode()))
        rows = [{k: v or None for k, v in row.items()} for row in reader]
        assert list(reader.fieldnames or []) == list(SCHEMAS[table])
    else:
        rows = [json.loads(line) for line in done.out.splitlines()]
        assert all(list(row) == list(SCHEMAS[table]) for row in rows)
    expected = pl.read_parquet(binary.out)
    assert len(rows) == expected.height
    for row, same in zip(rows, expected.iter_rows(named=True), strict=True):
        for name, kind in SCHEMAS[table].items():
            value = row[name]
            if value is None:
                assert same[name] is None or (fmt == "csv" and same[name] == "")
            elif kind == INSTANT:
                assert RFC3339_MS.fullmatch(value)
                assert value == same[name].isoformat(timespec="milliseconds").replace("+00:00", "Z")
            elif isinstance(kind, pl.String):
                assert value == same[name]
            else:
                assert float(value) == same[name]


def test_samples_are_those_of_the_recording(command: Command, folder: Path) -> None:
    done = command("export", "samples", "--db", folder / "a.duckdb", "--format", "parquet")
    assert pl.read_parquet(done.out).equals(samples_of(drive("K-204", 20)))


def test_rejects_hold_the_bytes_that_came(command: Command, folder: Path) -> None:
    done = command("export", "rejects", "--db", folder / "a.duckdb")
    rows = [json.loads(line) for line in done.out.splitlines()]
    assert {base64.b64decode(row["payload_b64"]) for row in rows} == {b"\x00\xff", json.dumps(pressure(v=3)).encode()}
    assert {row["topic"] for row in rows} == {"air/v1/north/K-204/pressure"}
    assert sorted(re.sub(r": payload.*", "", row["reason"]) for row in rows) == ["a.ndjson line 22", "a.ndjson line 23"]


def test_readings_come_out_of_the_landed_samples(command: Command, folder: Path) -> None:
    done = command("export", "readings", "--db", folder / "a.duckdb")
    checks = {json.loads(line)["check"] for line in done.out.splitlines()}
    assert "abs_fault" in checks


@pytest.mark.parametrize("table", SCHEMAS)
def test_an_empty_store_exports_no_rows_and_all_columns(command: Command, tmp_path: Path, table: str) -> None:
    Store.open(tmp_path / "a.duckdb").close()
    done = {fmt: command("export", table, "--db", "a.duckdb", "--format", fmt) for fmt in ("csv", "parquet", "ndjson")}
    assert done["csv"].out.decode() == ",".join(SCHEMAS[table]) + "\n"
    assert pl.read_parquet(done["parquet"].out).schema == pl.Schema(SCHEMAS[table])
    assert done["ndjson"].out == b""
