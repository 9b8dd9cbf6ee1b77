"""What becomes of an alert: people move it on, readings verify or reopen it, and every change is written down."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, get_args

import polars as pl

from airwatch.alerts.frames import ALERTS, GRAVITY
from airwatch.alerts.settings import shipped_settings
from airwatch.contract.columns import TIME
from airwatch.errors import AlertError

AlertState = Literal["open", "acknowledged", "planned", "repaired", "verified", "dismissed"]
STATES: tuple[AlertState, ...] = get_args(AlertState)
CLOSED: tuple[AlertState, ...] = ("verified", "dismissed")
ENGINE = "airwatch"
"""Who made a change that readings made."""

HISTORY = pl.Schema(
    {
        "event": pl.String(),
        "alert": pl.String(),
        "at": TIME,
        "recorded": TIME,
        "who": pl.String(),
        "change": pl.String(),
        "state": pl.String(),
        "reason": pl.String(),
        "until": TIME,
        "severity": pl.String(),
        "fault": pl.String(),
        "fleet": pl.String(),
        "unit": pl.String(),
        "trailer": pl.String(),
    }
)
"""One row a change, never altered: ``at`` in data time, ``recorded`` when it was written; ``until`` ends a silence."""

_MAY = {
    "acknowledged": ("open",),
    "planned": ("open", "acknowledged", "planned"),
    "repaired": ("open", "acknowledged", "planned"),
    "dismissed": ("open", "acknowledged", "planned", "repaired"),
    "reopened": ("acknowledged", "planned", "repaired", "verified", "dismissed"),
    "silenced": ("open", "acknowledged", "planned"),
    "noted": STATES,
}
"""What people may do, and from which states."""

_WITHDRAWN = "later messages changed the readings that it stood on"

_LEADS_TO: dict[str, AlertState] = {
    "opened": "open",
    "acknowledged": "acknowledged",
    "planned": "planned",
    "repaired": "repaired",
    "verified": "verified",
    "dismissed": "dismissed",
    "reopened": "open",
}
ACTIONS = tuple(_MAY)


@dataclass(frozen=True, slots=True)
class Step:
    """A change that somebody asks for; ``at`` is the data time from which it holds (when the repair was done, say)."""

    alert: str
    change: str
    who: str
    at: datetime
    reason: str
    until: datetime | None = None


def check_step(step: Step, state: str) -> None:
    """Refuse a change that can't be made.

    Raises
    ------
    AlertError
        The change is unknown, does not follow on the state, or lacks who or why.
    """
    if step.change not in _MAY:
        raise AlertError(f"alert {step.alert}: {step.change!r} is no change; use one of {', '.join(ACTIONS)}")
    if state not in _MAY[step.change]:
        raise AlertError(
            f"alert {step.alert}: it is {state} and can't be {step.change};"
            f" that follows on {', '.join(_MAY[step.change])}"
        )
    if not step.who.strip():
        raise AlertError(f"alert {step.alert}: {step.change} needs who did it; fill in the name")
    if not step.reason.strip() and step.change != "acknowledged":
        raise AlertError(f"alert {step.alert}: {step.change} needs a reason; say what was found or done")
    if step.change == "silenced" and (step.until is None or step.until <= step.at):
        raise AlertError(f"alert {step.alert}: a silence needs an end after {step.at:%Y-%m-%d %H:%M}; give the date")


def next_state(change: str, state: str) -> str:
    """Give the state that a change leads to; notes and silences leave it as it is."""
    return _LEADS_TO.get(change, state)


def spent_until(history: pl.DataFrame) -> dict[str, datetime]:
    """Give for each alert the time up to which its evidence is spent: the last repair."""
    repairs = history.filter(change="repaired").group_by("alert").agg(pl.col("at").max())
    return dict(repairs.iter_rows())


def silences(history: pl.DataFrame, now: datetime) -> dict[str, datetime]:
    """Give by alert the end of each silence that holds at ``now``.

    Parameters
    ----------
    history : DataFrame
        Columns as `HISTORY`, of any alerts.
    now : datetime
        UTC without a zone.
    """
    held = history.filter((pl.col("change") == "silenced") & (pl.col("at") <= now) & (pl.col("until") > now))
    return dict(held.group_by("alert").agg(pl.col("until").max()).iter_rows())


def advance(
    found: pl.DataFrame, current: pl.DataFrame, again: pl.DataFrame, proof: Mapping[str, "Proof"]
) -> tuple[pl.DataFrame, list[dict[str, object]]]:
    """Bring alerts up to date with what the readings say now.

    * A new finding opens an alert.
    * An alert that is being worked on keeps its state; figures, severity and diagnosis follow the readings.
    * A repaired one is judged by readings since the repair alone: a new sign reopens it, enough sound ones verify it.
      A verified one reopens in the same way.
    * A dismissed one stays, unless it has become graver than it was then.
    * A finding that readings take back (late messages can) is withdrawn, unless somebody has taken it up: then the
      alert stays as it last was, for that person to close.

    Parameters
    ----------
    found : DataFrame
        Columns as `ALERTS`: what all readings speak for.
    current : DataFrame
        Columns as `ALERTS`: the alerts as they are.
    again : DataFrame
        Columns as `ALERTS`: what readings since the last repair speak for, of the alerts that had one.
    proof : mapping
        By id of each repaired alert that readings since then prove to be so.

    Returns
    -------
    tuple
        The alerts, and the changes as rows of `HISTORY` without ``event`` and ``recorded``.
    """
    before = {row["id"]: row for row in current.iter_rows(named=True)}
    after = {row["id"]: row for row in found.iter_rows(named=True)}
    since = {row["id"]: row for row in again.iter_rows(named=True)}
    rows: list[dict[str, Any]] = []
    changes: list[dict[str, object]] = []
    for id_ in sorted({*before, *after}):
        row, change = _moved(before.get(id_), after.get(id_), since.get(id_), proof.get(id_))
        rows += [row] if row is not None else []
        changes += change
    return pl.DataFrame(rows, schema=ALERTS, orient="row"), changes


_Row = dict[str, Any]


def _moved(
    old: _Row | None, new: _Row | None, again: _Row | None, proof: "Proof | None"
) -> tuple[_Row | None, list[dict[str, object]]]:
    """Move one alert on; at least one of ``old`` and ``new`` is there. None if there is no alert any more."""
    if old is None:
        return new, [] if new is None else [_change(new, "opened", new["opened"], new["summary"])]
    state = old["state"]
    if state in ("repaired", "verified"):
        return _after_repair(old, new, again, proof)
    if new is None:
        gone = [_change({**old, "state": "withdrawn"}, "withdrawn", old["updated"], _WITHDRAWN)]
        return (None, gone) if state == "open" else (dict(old), [])
    row = {**old, **new, "state": state, "opened": _opened(old, new)}
    is_graver = GRAVITY[row["severity"]] > GRAVITY[old["severity"]]
    if state == "dismissed":
        if not is_graver:
            return dict(old), []  # with the severity that was dismissed
        row["state"] = "open"
        says = f"graver than when dismissed: {row['summary']}"
        return row, [_change(row, "reopened", row["updated"], says)]
    changes = [_change(row, "graver", row["updated"], row["summary"])] if is_graver else []
    if row["fault"] != old["fault"]:
        changes.append(_change(row, "explained", row["updated"], f"{old['fault']} before; {row['summary']}"))
    return row, changes


def _opened(old: _Row, new: _Row) -> datetime:
    """Give when an alert was opened: as the readings have it, unless those that opened it are not read any more."""
    is_out_of_sight = old["opened"] < new["updated"] - timedelta(days=shipped_settings().evidence.days)
    opened: datetime = old["opened"] if is_out_of_sight else new["opened"]
    return opened


def _after_repair(
    old: _Row, new: _Row | None, again: _Row | None, proof: "Proof | None"
) -> tuple[_Row, list[dict[str, object]]]:
    if again is not None:
        row = {**old, **again, "opened": old["opened"], "state": "open"}
        return row, [_change(row, "reopened", again["opened"], again["summary"])]
    row = {**old, "updated": old["updated"] if new is None else new["updated"]}
    if old["state"] == "repaired" and proof is not None:
        row["state"] = "verified"
        return row, [_change(row, "verified", proof.at, proof.says)]
    return row, []


def _change(row: Mapping[str, object], change: str, at: object, reason: str) -> dict[str, object]:
    return {
        "alert": row["id"],
        "at": at,
        "who": ENGINE,
        "change": change,
        "state": row["state"],
        "reason": reason,
        "until": None,
        **{name: row[name] for name in ("severity", "fault", "fleet", "unit", "trailer")},
    }


@dataclass(frozen=True, slots=True)
class Proof:
    """That readings since a repair prove it."""

    at: datetime
    says: str
