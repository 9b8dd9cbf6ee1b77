"""Changes that people ask for: the one place where pages and API write."""

import threading
from datetime import datetime, timedelta

from airwatch.alerts.lifecycle import Step
from airwatch.errors import AlertError
from airwatch.store.database import Store
from dashboards.access.actor import Actor
from dashboards.alerts import StoredAlert, read_alert
from dashboards.errors import BadRequestError, ConflictError, as_sentence
from pipelines.alerts import take_step

LATEST = timedelta(minutes=5)
"""How far ahead of now a change may lie: as far as two clocks may differ."""

_one_at_a_time = threading.Lock()  # a step is read, checked and written in turn


def change_alert(
    store: Store,
    by: Actor,
    alert: str,
    change: str,
    *,
    who: str | None,
    reason: str,
    at: datetime | None,
    until: datetime | None,
) -> StoredAlert:
    """Make a change and give the alert as it is then; times are UTC without a zone.

    Who made it is the account of who signed in; ``who`` is for where anybody may ask.

    Raises
    ------
    ForbiddenError
        The role may not make this change.
    NotFoundError
        There is no such alert.
    ConflictError
        The change does not follow on the state that the alert is in.
    BadRequestError
        The change lacks something, or lies in the future.
    """
    by.require(f"alert.{change}")
    name = by.written_as(who)
    with _one_at_a_time:
        before = read_alert(store, alert)
        whole = store.for_writing(before.row["fleet"])
        if at is not None and at > before.now + LATEST:
            raise BadRequestError(
                f"at: {at:%Y-%m-%d %H:%M} UTC lies in the future, it is {before.now:%Y-%m-%d %H:%M} UTC;"
                " write down what has been done."
            )
        try:
            take_step(whole, Step(alert, change, name, before.now if at is None else at, reason, until))
        except AlertError as err:
            says = str(err).removeprefix(f"alert {alert}: ")
            refused = BadRequestError if change in before.may else ConflictError
            raise refused(as_sentence(says)) from err
        by.note(f"alert.{change}", alert, f"{before.row['fleet']}/{before.row['unit']} {reason}", who=name)
    return read_alert(store, alert)
