import re
from importlib.resources import files

import cantools.database
import pytest
from cantools.database.can import Database

from airwatch.can.signals import SignalTable, load_signals, parse_signals
from airwatch.errors import SignalTableError

TABLE = (files("airwatch.can") / "signals.toml").read_text(encoding="utf-8")

SMALL = """
[[message]]
pgn = 65198
name = "AIR1"
length_bytes = 8
period_ms = 1000
source = "somewhere"

[[signal]]
spn = 46
name = "supply"
pgn = 65198
start_byte = 1
start_bit = 1
length_bits = 8
scale = 8.0
offset = 0.0
unit = "kPa"
low = 0.0
high = 2000.0
kind = "measured"
feeds = "supply_kpa"
prefer = [48]
source = "somewhere"
"""
SECOND = SMALL[SMALL.index("[[signal]]") :].replace("spn = 46", "spn = 47").replace('"supply"', '"other"')


def as_dbc(table: SignalTable) -> str:
    """Write a DBC from the table alone."""
    lines = ['VERSION ""', "BS_:", "BU_: Vector__XXX"]
    for message in table.messages:
        can_id = 0x80000000 | 6 << 26 | message.pgn << 8 | 0xFE
        lines.append(f"BO_ {can_id} {message.name}: {message.length_bytes} Vector__XXX")
        for s in (s for s in table.signals if s.pgn == message.pgn):
            place, line = f"{s.shift}|{s.length_bits}@1+", f"({s.scale!r},{s.offset!r}) [{s.low!r}|{s.high!r}]"
            lines.append(f' SG_ {s.name} : {place} {line} "{s.unit}" Vector__XXX')
    return "\n".join(lines) + "\n"


def test_a_dbc_can_be_written_from_the_table() -> None:
    table = load_signals()
    database = cantools.database.load_string(as_dbc(table), database_format="dbc")
    assert isinstance(database, Database)
    assert {message.name for message in database.messages} == {message.name for message in table.messages}
    assert sum(len(message.signals) for message in database.messages) == len(table.signals)


def test_every_row_names_its_source() -> None:
    table = load_signals()
    sources = [message.source for message in table.messages] + [signal.source for signal in table.signals]
    assert all(source.startswith("ETI") for source in sources)


def test_the_small_table_is_a_good_one() -> None:
    assert len(parse_signals(SMALL).signals) == 1


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('unit = "kPa"', 'unit = "kPa"\nunits = "kPa"', r"signal 'supply' \(row 1\): .*unknown field `units`"),
        ("scale = 8.0\n", "", r"signal 'supply' \(row 1\): .*missing required field `scale`"),
        ("scale = 8.0", "scale = 8.0\nscale = 4.0", "signal table: not TOML"),
        ("scale = 8.0", 'scale = "8"', r"signal 'supply' \(row 1\): Expected `float`, got `str` - at `\$.scale`"),
        ("length_bits = 8", "length_bits = 12", "signal 'supply' .*Invalid enum value 12"),
        ("start_byte = 1", "start_byte = 9", "signal 'supply' .*<= 8"),
        ("start_bit = 1\nlength_bits = 8", "start_bit = 1\nlength_bits = 2", "does not go with length_bits=2"),
        ("start_byte = 1\nstart_bit = 1", "start_byte = 8\nstart_bit = 2", "signal 'supply': .*run past the frame"),
        ("high = 2000.0", "high = 2040.0", "signal 'supply': .*reach from 0.0 to 2000.0"),
        ("prefer = [48]", "prefer = []", "signal 'supply' .*length >= 1"),
        ("prefer = [48]", "prefer = [48, 48]", "prefer names an address twice"),
        ("prefer = [48]", "prefer = [254]", "signal 'supply' .*<= 253"),
        ('feeds = "supply_kpa"', 'feeds = "supply_psi"', "signal 'supply': feeds must be one of supply_kpa, "),
        ('feeds = "supply_kpa"', 'feeds = "park_brake"', "signal 'supply': feeds must be one of supply_kpa, "),
        ('kind = "measured"', 'kind = "lamp"', "kind 'lamp' does not go with length_bits=8"),
        ("pgn = 65198\nstart_byte", "pgn = 65199\nstart_byte", "signal 'supply': pgn 65199 is not among the messages"),
        ("period_ms = 1000\n", "", r"message 'AIR1' \(row 1\): .*missing required field `period_ms`"),
        ("[[message]]", "[[messages]]", r"unknown or missing tables \['message', 'messages'\]"),
        ("[[message]]", "[message]", r"message must be an array of tables, \[\[message\]\]"),
        ("scale = 8.0", "scale = 16.0", "signal 'supply': low=0.0, high=2000.0, but"),
        (
            'scale = 8.0\noffset = 0.0\nunit = "kPa"\nlow = 0.0\nhigh = 2000.0',
            'scale = 16.0\noffset = 0.0\nunit = "kPa"\nlow = 0.0\nhigh = 4000.0',
            "signal 'supply': 0.0..4000.0 is more than supply_kpa holds",
        ),
        (
            'length_bits = 8\nscale = 8.0\noffset = 0.0\nunit = "kPa"\nlow = 0.0\nhigh = 2000.0\nkind = "measured"',
            'length_bits = 2\nscale = 1.0\noffset = 0.0\nunit = "kPa"\nlow = 0.0\nhigh = 1.0\nkind = "lamp"',
            "signal 'supply': feeds must be one of tractor_abs, trailer_abs",
        ),
    ],
)
def test_a_wrong_row_stops_the_load_and_is_named(old: str, new: str, message: str) -> None:
    assert old in SMALL
    with pytest.raises(SignalTableError, match=message):
        parse_signals(SMALL.replace(old, new))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (SECOND.replace("spn = 47", "spn = 46"), "signal 'other': spn 46 is there twice"),
        (SECOND.replace('"other"', '"supply"'), "signal 'supply': name 'supply' is there twice"),
        (SECOND, "signal 'other': lies on the bits of 'supply' in PGN 65198"),
        (SMALL[: SMALL.index("[[signal]]")], "message 'AIR1': pgn 65198 is there twice"),
    ],
)
def test_a_repeated_row_stops_the_load_and_is_named(rows: str, message: str) -> None:
    with pytest.raises(SignalTableError, match=message):
        parse_signals(SMALL + rows)


def test_the_shipped_table_names_no_line_twice() -> None:
    assert len(re.findall(r"^\[\[signal\]\]$", TABLE, re.MULTILINE)) == len(load_signals().signals)
