"""The tables of hand measurements: check values, and what is refused."""

from importlib.resources import files

import pytest

from airwatch.errors import LimitTableError
from airwatch.hand.chambers import fitted_chambers, n_brakes, row_of
from airwatch.hand.lengths import inches_text, parse_number
from airwatch.hand.tables import parse_tables, shipped_tables

NAMES = ("items", "findings", "chambers", "linings", "share")


def texts(**changed: tuple[str, str]) -> list[str]:
    """Give the shipped tables' text, in some of which one piece is replaced."""
    out = []
    for name in NAMES:
        text = files("airwatch.hand").joinpath(f"{name}.toml").read_text("utf-8")
        old, new = changed.get(name, ("", ""))
        assert old in text
        out.append(text.replace(old, new, 1) if old else text)
    return out


# 49 CFR 393.47(e). Types 12 and 16: figures seen in an index excerpt of the criteria (145 and 162 mm wide: 34.9 and
# 44.5, 44.5 and 50.8 mm). Type 30: a trade article's measured example has 2 in. The others: from memory.
@pytest.mark.parametrize(
    ("text", "limit_mm"),
    [
        ("12", 34.9), ("12L", 44.5), ("16", 44.5), ("16L", 50.8), ("30", 50.8),
        ("6", 31.8), ("9", 34.9), ("20", 44.5), ("20L", 50.8), ("24", 44.5), ("24L", 50.8), ("30L", 63.5), ("36", 57.2),
    ],
)  # fmt: skip
def test_stroke_limits_of_clamp_chambers(text: str, limit_mm: float) -> None:
    row = row_of(fitted_chambers(f"1L:{text}")["1L"], shipped_tables())
    assert row is not None
    assert row.limit_mm == pytest.approx(limit_mm, abs=0.06)


def test_a_size_that_the_table_lacks_has_no_row() -> None:
    assert row_of(fitted_chambers("1L:17")["1L"], shipped_tables()) is None
    assert row_of(None, shipped_tables()) is None


def test_brakes_are_counted_from_chambers_or_else_from_axles() -> None:
    assert n_brakes({"chambers": "1L:20;1R:20;2L:30", "axles": 2}) == 3
    assert n_brakes({"chambers": None, "axles": 2}) == 4
    assert n_brakes({"chambers": None, "axles": None}) is None


@pytest.mark.parametrize(
    ("text", "value"), [("44.5", 44.5), ("1 3/4", 1.75), ("1-3/4", 1.75), ("7/16", 0.4375), (".5", 0.5), ("-3", -3.0)]
)
def test_numbers_as_a_shop_writes_them(text: str, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["", "1,75", "1/0", "nan", "1e3", "1 3/4 in", "--1", "1.5 3/4"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no number"):
        parse_number(text)


@pytest.mark.parametrize(("mm", "text"), [(44.45, "1 3/4 in"), (50.8, "2 in"), (4.7625, "3/16 in"), (0.0, "0 in")])
def test_lengths_are_written_as_a_tape_has_them(mm: float, text: str) -> None:
    assert inches_text(mm) == text


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"items": ("usual = [6.4, 76.2]", "usual = [6.4, 176.2]")}, "'stroke': usual 6.4 to 176.2 must lie in"),
        ({"items": ("half = 1.5875\n", "")}, "a measure needs possible, usual and half"),
        ({"items": ('id = "lining_drum"', 'id = "stroke"')}, "items.toml: stands twice: stroke"),
        ({"chambers": ("limit = 1.25", "limit = 2.5")}, "limit 2.5 is not below the full stroke 1.75"),
        ({"chambers": ('status = "memory"', 'status = "guess"')}, "chambers.toml: Invalid enum value 'guess'"),
        ({"findings": ('item = "hose"', 'item = "pipe"')}, "it must have rows for just the items"),
        ({"linings": ('unit = "in"', 'unit = "ft"')}, "linings.toml: Invalid enum value 'ft'"),
        ({"share": ("part_counts", "parts")}, "share.toml: Object contains unknown field `parts`"),
    ],
)
def test_a_table_that_is_wrong_is_refused_whole(changed: dict[str, tuple[str, str]], said: str) -> None:
    with pytest.raises(LimitTableError, match=said.replace(".", r"\.")):
        parse_tables(*texts(**changed))


def test_every_row_says_where_it_is_from_and_how_sure_it_is() -> None:
    tables = shipped_tables()
    assert all(row.source and row.status for row in (*tables.findings.values(), *tables.chambers.values()))
    assert {row.status for row in tables.chambers.values()} == {"part", "memory"}  # none of them was read in the rule
