"""Alerts as pages and API read them: with what may be done to them, their silences, and in order of need."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, get_args

import polars as pl

from airwatch.access.caller import Caller
from airwatch.alerts.frames import GRAVITY
from airwatch.alerts.lifecycle import ACTIONS, CLOSED, Step, check_step, silences
from airwatch.errors import AlertError
from airwatch.store.alerts import alert_of, history_of
from airwatch.store.database import Store
from airwatch.store.heard import newest_data
from dashboards.errors import NotFoundError

Band = Literal["open", "taken", "repaired", "silenced", "closed"]
BANDS: tuple[Band, ...] = get_args(Band)
"""From what nobody has taken up to what asks for nothing."""

_TAKEN = ("acknowledged", "planned")


@dataclass(frozen=True, slots=True)
class StoredAlert:
    """One alert and its history; ``row`` as `airwatch.alerts.frames.ALERTS`, ``history`` as written down."""

    row: dict[str, Any]
    history: pl.DataFrame
    now: datetime

    @property
    def silenced_until(self) -> datetime | None:
        """The end of a silence that holds now."""
        return silences(self.history, self.now).get(self.row["id"])

    @property
    def may(self) -> list[str]:
        """What may be done to it."""
        return allowed_changes(self.row["state"])


def data_now(store: Store) -> datetime:
    """Give the time that counts as now: the clock's, or the newest data time where recordings are ahead of it."""
    return now_after(newest_data(store))


def now_after(newest: datetime | None) -> datetime:
    """Give the same where the newest data time is known."""
    clock = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    return max(clock, newest or clock)


def read_alert(store: Store, alert: str) -> StoredAlert:
    """Read one alert.

    Raises
    ------
    NotFoundError
        There is no such alert, or no longer.
    """
    found, history = alert_of(store, alert), history_of(store, [alert])
    if found.is_empty():
        gone = history.filter(change="withdrawn").tail(1).to_dicts()
        why = f" any more: it was withdrawn, {gone[0]['reason']}." if gone else "; see /alerts for those there are."
        raise NotFoundError(f"There is no alert {alert!r}{why}")
    return StoredAlert(found.row(0, named=True), history, data_now(store))


def allowed_changes(state: str) -> list[str]:
    """Give what people may do to an alert in this state."""
    begin = datetime(2000, 1, 1)  # noqa: DTZ001 any time, as in the store
    return [
        change for change in ACTIONS if _is_allowed(Step("", change, "who", begin, "why", begin + timedelta(1)), state)
    ]


def may_of(caller: Caller, changes: Iterable[str]) -> list[str]:
    """Keep the changes that somebody with the caller's rights may make."""
    return [change for change in changes if caller.may(f"alert.{change}")]


def _is_allowed(step: Step, state: str) -> bool:
    try:
        check_step(step, state)
    except AlertError:
        return False
    return True


def silences_of(store: Store, alerts: pl.DataFrame, now: datetime | None = None) -> dict[str, datetime]:
    """Give by alert the end of each silence that holds at ``now``, by default now."""
    return silences(history_of(store, alerts["id"].to_list()), data_now(store) if now is None else now)


def band_of(state: str, *, is_silenced: bool) -> Band:
    """Tell how much an alert in this state needs somebody."""
    if state in CLOSED:
        return "closed"
    if is_silenced:
        return "silenced"
    return "repaired" if state == "repaired" else "taken" if state in _TAKEN else "open"


def is_urgent(state: str, *, is_silenced: bool) -> bool:
    """Tell whether an alert asks for action, so that it may have a hue."""
    return band_of(state, is_silenced=is_silenced) in ("open", "taken")


def by_need(alerts: pl.DataFrame, silenced: Iterable[str]) -> pl.DataFrame:
    """Put those alerts first that need somebody.

    By band (`BANDS`), then gravest first, then those whose limit is likely crossed soonest, then the surest, then the
    longest open.

    Parameters
    ----------
    alerts : DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`.
    silenced : iterable of str
        Ids of alerts with a silence that holds.

    Returns
    -------
    DataFrame
        ``alerts`` with ``band``.
    """
    quiet = set(silenced)
    rows = alerts.select("id", "state").iter_rows()
    bands = pl.Series([band_of(state, is_silenced=id_ in quiet) for id_, state in rows], dtype=pl.String)
    return alerts.with_columns(band=bands).sort(
        pl.col("band").replace_strict({band: i for i, band in enumerate(BANDS)}, return_dtype=pl.Int8),
        -pl.col("severity").replace_strict(GRAVITY, return_dtype=pl.Int8),
        "crossing_likely",
        -pl.col("confidence"),
        "opened",
        "fleet",
        "unit",
        "fault",
        nulls_last=True,
    )
