"""The SQL itself: all of it in airwatch.store, of one catalog, and of what a lake catalog has, too."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from airwatch.store.database import migrations

ROOT = Path(__file__).parents[2]
STORE = ROOT / "airwatch" / "store"
ACCOUNTS = STORE / "access"  # a SQLite file of its own, whose statements name its own tables
# DuckLake has none of these: https://ducklake.select/docs/stable/duckdb/unsupported_features
UNSUPPORTED = r"\b(PRIMARY\s+KEY|FOREIGN\s+KEY|REFERENCES|UNIQUE|CHECK|DEFAULT|INDEX|SEQUENCE|GENERATED|ENUM)\b"
# A statement: its verb in capitals, and what only SQL has after it.
STATEMENT = r"\b(SELECT\s.+\sFROM\s|SELECT\s+\S+\(|INSERT\s+INTO\s|DELETE\s+FROM\s|UPDATE\s+\S+\s+SET\s|CREATE\s+(OR\s+REPLACE\s+)?(TEMP\s+)?(TABLE|VIEW|INDEX)\s|ATTACH\s|PRAGMA\s)"  # noqa: E501
TABLE = r"\b(?:FROM|JOIN|INTO|UPDATE|DELETE\s+FROM|CREATE\s+TABLE(?:\s+IF\s+NOT\s+EXISTS)?)\s+(?!\()([\w.{}\"]+)"


def sql_of(text: str) -> str:
    """Give SQL without comments and quoted names."""
    return re.sub(r'"[^"]*"', "quoted", re.sub(r"--[^\n]*", "", text))


def strings(path: Path) -> Iterator[str]:
    """Give every string of a module but its docstrings; what an f-string puts in stands as ``{}``."""
    tree = ast.parse(path.read_text("utf-8"))
    inside = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)} - {
        id(node) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)
    }
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in inside | docs:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.JoinedStr):
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)


def modules(folder: Path) -> list[Path]:
    """Give the modules of a package."""
    return sorted(folder.rglob("*.py"))


@pytest.mark.parametrize("version", sorted(migrations()))
def test_migrations_use_nothing_that_a_lake_catalog_lacks(version: int) -> None:
    _, sql = migrations()[version]
    assert re.findall(UNSUPPORTED, sql_of(sql), re.IGNORECASE) == []


@pytest.mark.parametrize(
    "line",
    ["id BIGINT PRIMARY KEY", "t TIMESTAMP default now()", "CREATE UNIQUE INDEX i ON air.a (b)", "CHECK (a > 0)"],
)
def test_the_search_finds_what_it_looks_for(line: str) -> None:
    assert re.search(UNSUPPORTED, sql_of(line), re.IGNORECASE)


@pytest.mark.parametrize("version", sorted(migrations()))
def test_migrations_name_the_catalog(version: int) -> None:
    statements = [s for s in sql_of(migrations()[version][1]).split(";") if s.strip()]
    assert [
        s for s in statements if not re.match(r"\s*(CREATE TABLE|ALTER TABLE|INSERT INTO|UPDATE|DELETE FROM) air\.", s)
    ] == []


def local_names(path: Path) -> set[str]:
    """Give the names under which a module hands frames to a statement."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in ("transaction", "frame"):
                names |= {keyword.arg for keyword in node.keywords if keyword.arg}
            elif node.func.attr == "register" and isinstance(node.args[0], ast.Constant):
                names.add(str(node.args[0].value))
    return names


def tables_named(path: Path) -> list[tuple[str, str]]:
    """Give each table that a statement reads or writes, but for common table expressions, and the statement."""
    texts = [sql_of(text) for text in strings(path)]
    own = {name for text in texts for name in re.findall(r"\b(\w+)\s+AS\s+\(", text)} | {"BY", "SET"}
    return [
        (table, " ".join(text.split()))
        for text in texts
        if re.search(STATEMENT, text, re.DOTALL)
        for table in re.findall(TABLE, text)
        if table not in own
    ]


ON_DUCKDB = [path for path in modules(STORE) if ACCOUNTS not in path.parents]


@pytest.mark.parametrize("path", ON_DUCKDB, ids=lambda path: path.stem)
def test_every_statement_names_tables_of_the_catalog_air(path: Path) -> None:
    local = local_names(path)
    catalog = ("air.", "{}.schema_versions", "{}.unit_keys", "{}.{}")  # the braces: the constant CATALOG
    stray = [
        (table, text)
        for table, text in tables_named(path)
        if not table.startswith((*catalog, "new_", "duckdb_")) and table not in local
    ]
    assert stray == []
    assert not re.search(r"\bUSE\s+air\b|search_path", path.read_text("utf-8"))


def test_the_search_sees_the_statements_of_the_writer() -> None:
    named = {table for table, _ in tables_named(STORE / "telemetry.py")}
    assert named >= {"air.samples", "air.messages", "air.{}"}


OUTSIDE = [
    path
    for package in ("airwatch", "pipelines", "dashboards")
    for path in modules(ROOT / package)
    if STORE not in path.parents
]


@pytest.mark.parametrize("path", OUTSIDE, ids=lambda path: str(path.relative_to(ROOT)))
def test_there_is_no_sql_outside_the_store(path: Path) -> None:
    assert [text for text in strings(path) if re.search(STATEMENT, text, re.DOTALL)] == []
    assert imported_by(path).isdisjoint({"duckdb", "sqlite3"})


@pytest.mark.parametrize("path", modules(STORE), ids=lambda path: f"{path.parent.stem}-{path.stem}")
def test_each_database_is_spoken_to_in_its_own_part_of_the_store(path: Path) -> None:
    assert ("duckdb" if ACCOUNTS in path.parents else "sqlite3") not in imported_by(path)


def imported_by(path: Path) -> set[str]:
    """Give the packages that a module imports."""
    return {
        name.split(".")[0]
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
