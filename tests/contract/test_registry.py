"""The unit registry: contract section 4."""

from pathlib import Path

import pytest

from airwatch.errors import RegistryError
from airwatch.registry import SCHEMA, read_units

# The header of contract section 4.
HEADER = (
    "unit,fleet,kind,axles,trailer_towing,rule_set,home_shop,supply_l,primary_l,secondary_l,required_l,"
    "compressor_cc,governed_rpm,cut_out_kpa,chambers"
)
TRACTOR = "K-204,north,tractor,3,1,us,Oslo Øst,22.5,49,49,120,636,2100,896,1L:20;1R:20;2L:30L"
TRAILER = "R-77,north,trailer,2,,us,,,60,,,,,,"


def registry(folder: Path, *rows: str, header: str = HEADER, encoding: str = "utf-8") -> Path:
    """Write a registry."""
    path = folder / "units.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding=encoding)
    return path


def test_a_tractor_and_a_trailer(tmp_path: Path) -> None:
    units = read_units(registry(tmp_path, TRACTOR, TRAILER))
    assert units.schema == SCHEMA
    assert list(SCHEMA) == HEADER.split(",")
    chambers = "1L:20;1R:20;2L:30L"
    assert units.rows() == [
        (
            "K-204",
            "north",
            "tractor",
            3,
            True,
            "us",
            "Oslo Øst",
            22.5,
            49.0,
            49.0,
            120.0,
            636.0,
            2100.0,
            896.0,
            chambers,
        ),
        ("R-77", "north", "trailer", 2, None, "us", None, None, 60.0, None, None, None, None, None, None),
    ]


def test_the_same_unit_may_stand_in_two_fleets(tmp_path: Path) -> None:
    units = read_units(registry(tmp_path, TRACTOR, TRACTOR.replace("north", "south")))
    assert units.select("unit", "fleet").rows() == [("K-204", "north"), ("K-204", "south")]


def test_a_byte_order_mark_spaces_quotes_and_blank_lines(tmp_path: Path) -> None:
    quoted = TRACTOR.replace("Oslo Øst", '" Oslo, Øst "').replace(",22.5,", ", 22.5 ,")
    units = read_units(registry(tmp_path, "", quoted, "", TRAILER, encoding="utf-8-sig"))
    assert units["home_shop"].to_list() == ["Oslo, Øst", None]
    assert units["supply_l"].to_list() == [22.5, None]


def test_a_registry_without_units(tmp_path: Path) -> None:
    assert read_units(registry(tmp_path)).schema == SCHEMA


def with_field(name: str, value: str) -> str:
    """Give the tractor's row with one field replaced."""
    fields = TRACTOR.split(",")
    fields[HEADER.split(",").index(name)] = value
    return ",".join(fields)


@pytest.mark.parametrize(
    ("field", "value", "why"),
    [
        ("unit", "", "missing required field `unit`"),
        ("unit", "K 204", r"matching regex .* at `\$\.unit`"),
        ("fleet", "", "missing required field `fleet`"),
        ("fleet", "n" * 65, r"at `\$\.fleet`"),
        ("kind", "", "missing required field `kind`"),
        ("kind", "van", r"Invalid enum value 'van' - at `\$\.kind`"),
        ("axles", "0", r"Expected `int` >= 1 - at `\$\.axles`"),
        ("axles", "13", r"Expected `int` <= 12 - at `\$\.axles`"),
        ("axles", "two", r"at `\$\.axles`"),
        ("trailer_towing", "yes", "trailer_towing is 'yes'; it must be 1 or 0"),
        ("trailer_towing", "true", "trailer_towing is 'true'; it must be 1 or 0"),
        ("rule_set", "", "missing required field `rule_set`"),
        ("rule_set", "un r13", r"at `\$\.rule_set`"),
        *((name, "0", rf"Expected `float` > 0.0 - at `\$\.{name}`") for name in
          ("supply_l", "primary_l", "secondary_l", "required_l", "compressor_cc", "governed_rpm", "cut_out_kpa")),
        ("supply_l", "-22.5", r"Expected `float` > 0.0 - at `\$\.supply_l`"),
        ("supply_l", "22.5 l", r"at `\$\.supply_l`"),
        ("supply_l", "nan", r"at `\$\.supply_l`"),
        ("supply_l", "inf", r"at `\$\.supply_l`"),
        ("compressor_cc", "1e400", r"at `\$\.compressor_cc`"),
        ("cut_out_kpa", "2000.5", r"Expected `float` <= 2000.0 - at `\$\.cut_out_kpa`"),
        ("chambers", "1L", r"matching regex .* at `\$\.chambers`"),
        ("chambers", "1L:20;", r"at `\$\.chambers`"),
        ("chambers", "1L:20,1R:20", "15 fields are needed"),
        ("chambers", "1L:30S", r"at `\$\.chambers`"),
    ],
)  # fmt: skip
def test_a_wrong_field_is_named_with_file_and_line(tmp_path: Path, field: str, value: str, why: str) -> None:
    path = registry(tmp_path, TRAILER, with_field(field, value))
    with pytest.raises(RegistryError, match=rf"^{path} line 3: .*{why}"):
        read_units(path)


@pytest.mark.parametrize("row", [TRACTOR.removesuffix(",1L:20;1R:20;2L:30L"), TRACTOR + ",", "K-204"])
def test_a_row_of_another_number_of_fields(tmp_path: Path, row: str) -> None:
    path = registry(tmp_path, row)
    with pytest.raises(RegistryError, match=rf"^{path} line 2: 15 fields are needed, one for each name of the header$"):
        read_units(path)


def test_a_unit_that_stands_twice_in_a_fleet(tmp_path: Path) -> None:
    path = registry(tmp_path, TRACTOR, TRAILER, with_field("axles", "2"))
    with pytest.raises(
        RegistryError, match=rf"^{path} line 4: unit 'K-204' of fleet 'north' stands in line 2 already$"
    ):
        read_units(path)


@pytest.mark.parametrize(
    "header", [HEADER.replace(",axles", ""), HEADER + ",colour", HEADER.replace("unit,fleet", "fleet,unit"), "", "unit"]
)
def test_another_header(tmp_path: Path, header: str) -> None:
    path = registry(tmp_path, TRACTOR, header=header)
    with pytest.raises(RegistryError, match=rf"^{path} line 1: the header must be {HEADER}; got "):
        read_units(path)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", HEADER.encode() + b"\n\xff", HEADER.encode() + b'\n"K-204"x,y'])
def test_what_is_no_csv_text(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes(content)
    with pytest.raises(RegistryError, match=rf"^{path}: can't be read as a registry: .*; check --units$"):
        read_units(path)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match=rf"^{tmp_path}/none.csv: can't be read as a registry: .*check --units$"):
        read_units(tmp_path / "none.csv")


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.touch()
    with pytest.raises(RegistryError, match=rf"^{path} line 1: the header must be"):
        read_units(path)
