"""Rows that are only added, and corrected by rows that name what they replace."""

from datetime import UTC, datetime
from typing import Literal

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.errors import AirwatchError
from airwatch.store.database import Store

Table = Literal["hand_entries", "campaigns", "campaign_outcomes"]

CORRECTABLE = pl.Schema(
    {
        "id": pl.String(),
        "recorded": TIME,
        "replaces": pl.String(),
        "who": pl.String(),
        "reason": pl.String(),
        "is_void": pl.Boolean(),
    }
)
"""What every such row has: its id, when it was written down, what it replaces, by whom and why; void takes back."""


def add(store: Store, table: Table, rows: pl.DataFrame) -> int:
    """Add rows, each once whatever how often it is sent; columns of the table without ``recorded``.

    Returns
    -------
    int
        How many were new.

    Raises
    ------
    StoreError
        The database could not write; nothing is added.
    """
    fresh = rows.unique("id", keep="first", maintain_order=True).with_columns(
        recorded=pl.lit(datetime.now(UTC).replace(tzinfo=None), TIME)
    )
    with store.transaction(new_rows=fresh) as write:
        done = write.execute(
            f"INSERT INTO air.{table} BY NAME SELECT * FROM new_rows AS n"
            f" WHERE NOT EXISTS (SELECT 1 FROM air.{table} AS o WHERE o.id = n.id)"
        ).fetchone()
    return int(done[0]) if done else 0


def correct(store: Store, table: Table, row: pl.DataFrame, error: type[AirwatchError]) -> None:
    """Add one row that replaces another; a row sent twice lands once.

    Parameters
    ----------
    store : Store
        The store to write.
    table : str
        Where it goes.
    row : DataFrame
        One row with the columns of the table without ``recorded``: ``replaces``, ``who`` and ``reason`` filled.
    error : type of AirwatchError
        What is raised.

    Raises
    ------
    AirwatchError
        Who or why is missing, or what it replaces is not there, or has been replaced already.
    """
    new = row.row(0, named=True)
    for name, what in (("who", "say who corrects it"), ("reason", "say why")):
        if not (new[name] or "").strip():
            raise error(f"correction of {new['replaces']}: {name} is empty; {what}")
    with store.exclusive():
        if not store.frame(f"SELECT id FROM air.{table} WHERE id = $id", {"id": new["id"]}).is_empty():
            if store.frame(
                f"SELECT id FROM air.{table} WHERE id = $id AND replaces = $old",
                {"id": new["id"], "old": new["replaces"]},
            ).is_empty():
                raise error(f"correction of {new['replaces']}: id {new['id']} stands for another row; give a new one")
            return
        found = store.frame(
            f"SELECT o.id, o.is_void, n.id AS by_id, n.who AS by_who FROM air.{table} AS o"
            f" LEFT JOIN air.{table} AS n ON n.replaces = o.id WHERE o.id = $old",
            {"old": new["replaces"]},
        ).to_dicts()
        if not found:
            raise error(f"correction of {new['replaces']}: there is no such row; check the id")
        if found[0]["by_id"] is not None:
            later, who = found[0]["by_id"], found[0]["by_who"]
            raise error(f"correction of {new['replaces']}: {who} has corrected it already; correct {later} instead")
        if found[0]["is_void"]:
            raise error(f"correction of {new['replaces']}: it was taken back; enter it anew")
        add(store, table, row)


def holds(table: Table) -> str:
    """Give the condition that a row with the alias ``h`` holds: it is neither replaced nor void."""
    return f"NOT h.is_void AND NOT EXISTS (SELECT 1 FROM air.{table} AS later WHERE later.replaces = h.id)"
