"""Alerts brought up to date: what readings say, joined with what people did."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import polars as pl

from airwatch.alerts.fold import CHECKS_USED, NOTED, fold_alerts
from airwatch.alerts.frames import ALERTS, of_alert
from airwatch.alerts.lifecycle import Step, advance, check_step, next_state, silences, spent_until
from airwatch.alerts.peers import PEERS_CHECKS, Peers, peers_of
from airwatch.alerts.proof import proofs
from airwatch.alerts.settings import shipped_settings
from airwatch.derive.facts import unit_facts
from airwatch.errors import AlertError
from airwatch.store import alerts as kept
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units

UNITS_A_GROUP = 400
"""Units are looked at in groups of about so many, so that memory is bounded."""


def refresh_alerts(store: Store, units: pl.DataFrame) -> int:
    """Bring the alerts of some units, and of the trailers they towed, up to date with the readings in the store.

    Parameters
    ----------
    store : Store
        The store to read and write.
    units : DataFrame
        ``fleet, unit``.

    Returns
    -------
    int
        How many changes were written down.
    """
    towed = kept.towed(store, units)
    registered = registered_units(store)
    peers = _peers(store, registered)
    groups = units.select("fleet", "unit").unique(maintain_order=True).iter_slices(UNITS_A_GROUP)
    n_changes = 0
    # the next group is read while this one is looked at: the database takes about as long as we do
    with ThreadPoolExecutor(1) as reader:
        ahead: Future[_Group] | None = None
        for units_of_group in groups:
            this, ahead = ahead, reader.submit(_read, store, units_of_group, towed, registered)
            if this is not None:
                n_changes += _refresh(store, this.result(), peers)
        if ahead is not None:
            n_changes += _refresh(store, ahead.result(), peers)
    return n_changes


@dataclass(frozen=True, slots=True)
class _Group:
    """Some units, the trailers they towed, and the readings and facts of all that towed these."""

    units: pl.DataFrame
    trailers: pl.DataFrame
    readings: pl.DataFrame
    facts: pl.DataFrame


def _peers(store: Store, registered: pl.DataFrame) -> Peers:
    """Give what is usual for units alike: of each kind and number of axles those that stand evenly over all names."""
    settings = shipped_settings()
    place = pl.int_range(pl.len()).over("fleet", "kind", "axles")
    step = (pl.len().over("fleet", "kind", "axles") / settings.peers.most_units).ceil()
    some = registered.sort("fleet", "unit").filter(place % step == 0)
    return peers_of(kept.unit_days(store, some, settings.evidence.days, PEERS_CHECKS), settings.peers)


def _read(store: Store, units: pl.DataFrame, towed: pl.DataFrame, registered: pl.DataFrame) -> _Group:
    trailers = (
        towed.join(units, on=["fleet", "unit"], how="semi").select("fleet", "trailer").unique(maintain_order=True)
    )
    partners = pl.concat(
        [units, towed.join(trailers, on=["fleet", "trailer"], how="semi").select("fleet", "unit")]
    ).unique(maintain_order=True)
    readings = kept.readings_of_late(store, partners, shipped_settings().evidence.days, CHECKS_USED, NOTED)
    return _Group(units, trailers, readings, unit_facts(partners, registered))


def _refresh(store: Store, group: _Group, peers: Peers) -> int:
    found = _theirs(fold_alerts(group.readings, group.facts, peers=peers), group.units, group.trailers)
    with store.exclusive():  # somebody may move an alert on meanwhile; that must neither be lost nor waited for long
        before = kept.current_alerts(store, group.units, group.trailers)
        return _advance(store, found, before, group, peers)


def _advance(store: Store, found: pl.DataFrame, before: pl.DataFrame, group: _Group, peers: Peers) -> int:
    spent = spent_until(kept.history_of(store, before["id"].to_list()))
    again = [_since(group, peers, row, spent[row["id"]]) for row in before.iter_rows(named=True) if row["id"] in spent]
    since = pl.concat(again) if again else pl.DataFrame(schema=ALERTS)
    after, changes = advance(found, before, since, proofs(group.readings, before, spent))
    kept.write_alerts(store, before, after, changes)
    return len(changes)


def _theirs(found: pl.DataFrame, units: pl.DataFrame, trailers: pl.DataFrame) -> pl.DataFrame:
    """Keep the alerts of the units themselves and of the trailers; their partners were read for the trailers' sake."""
    is_trailer = (pl.col("fault") == "leak_trailer") & pl.col("trailer").is_not_null()
    return pl.concat(
        [
            found.filter(~is_trailer).join(units, on=["fleet", "unit"], how="semi", maintain_order="left"),
            found.filter(is_trailer).join(trailers, on=["fleet", "trailer"], how="semi", maintain_order="left"),
        ]
    )


def _since(group: _Group, peers: Peers, alert: dict[str, object], spent: datetime) -> pl.DataFrame:
    """Give what readings since a repair speak for, as far as it is this alert."""
    later = group.readings.filter(of_alert(alert) & (pl.col("start") >= spent))
    return fold_alerts(later, group.facts, peers=peers).filter(pl.col("id") == alert["id"])


def take_step(store: Store, step: Step) -> str:
    """Make a change that somebody asks for, and give the state it leads to.

    Raises
    ------
    AlertError
        There is no such alert, or the change can't be made.
    """
    step = replace(step, at=_plain(step.at), until=None if step.until is None else _plain(step.until))
    with store.exclusive():
        before, state = _step(store, step)
    if step.change == "repaired":
        refresh_alerts(store, before.select("fleet", "unit"))
    return state


def take_steps(store: Store, steps: Sequence[Step]) -> None:
    """Make changes that one deed makes to many alerts, all at once or none; each alert once, none of them repaired.

    Raises
    ------
    AlertError
        One of the alerts is not there, or its change can't be made; nothing is changed.
    """
    if not steps:
        return
    plain = [replace(s, at=_plain(s.at), until=None if s.until is None else _plain(s.until)) for s in steps]
    with store.exclusive():
        before = kept.alerts_of(store, [step.alert for step in plain])
        rows = {row["id"]: row for row in before.iter_rows(named=True)}
        changes = []
        for step in plain:
            if step.alert not in rows:
                raise AlertError(f"alert {step.alert}: there is no such alert; see airwatch export alerts")
            changes.append(_change(step, rows[step.alert]))
        states = pl.DataFrame({"id": [c["alert"] for c in changes], "state": [c["state"] for c in changes]})
        after = before.update(states, on="id", how="left")
        kept.write_alerts(store, before, after, changes)


def _step(store: Store, step: Step) -> tuple[pl.DataFrame, str]:
    before = _one(store, step.alert)
    change = _change(step, before.row(0, named=True))
    state = str(change["state"])
    kept.write_alerts(store, before, before.with_columns(state=pl.lit(state)), [change])
    return before, state


def _change(step: Step, row: Mapping[str, object]) -> dict[str, object]:
    """Give what a step adds to the history of an alert in the state that it is in."""
    before = str(row["state"])
    check_step(step, before)
    return {
        "alert": step.alert,
        "at": step.at,
        "who": step.who.strip(),
        "change": step.change,
        "state": next_state(step.change, before),
        "reason": step.reason.strip(),
        "until": step.until,
        **{name: row[name] for name in ("severity", "fault", "fleet", "unit", "trailer")},
    }


def silenced(store: Store, alerts: Sequence[str], now: datetime) -> set[str]:
    """Give those of some alerts that are silenced at a time."""
    return set(silences(kept.history_of(store, alerts), now))


def _one(store: Store, alert: str) -> pl.DataFrame:
    found = kept.alert_of(store, alert)
    if found.is_empty():
        raise AlertError(f"alert {alert}: there is no such alert; see airwatch export alerts")
    return found


def _plain(at: datetime) -> datetime:
    """Give a time as the store keeps it: UTC without a zone."""
    return at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo is not None else at
