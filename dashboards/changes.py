"""Changes that people ask for: the one place where pages and API write."""

import threading
from datetime import datetime, timedelta

from airwatch.alerts.lifecycle import Step
from airwatch.errors import AlertError
from airwatch.store.database import Store
from dashboards.alerts import StoredAlert, read_alert
from dashboards.errors import BadRequestError, ConflictError
from pipelines.alerts import take_step

LATEST = timedelta(minutes=5)
"""How far ahead of now a change may lie: as far as two clocks may differ."""

_one_at_a_time = threading.Lock()  # a step is read, checked and written in turn


def change_alert(
    store: Store, alert: str, change: str, *, who: str, reason: str, at: datetime | None, until: datetime | None
) -> StoredAlert:
    """Make a change and give the alert as it is then; times are UTC without a zone.

    Raises
    ------
    NotFoundError
        There is no such alert.
    ConflictError
        The change does not follow on the state that the alert is in.
    BadRequestError
        The change lacks something, or lies in the future.
    """
    with _one_at_a_time:
        before = read_alert(store, alert)
        if at is not None and at > before.now + LATEST:
            raise BadRequestError(
                f"at: {at:%Y-%m-%d %H:%M} UTC lies in the future, it is {before.now:%Y-%m-%d %H:%M} UTC;"
                " write down what has been done."
            )
        try:
            take_step(store, Step(alert, change, who, before.now if at is None else at, reason, until))
        except AlertError as err:
            says = str(err).removeprefix(f"alert {alert}: ")
            refused = BadRequestError if change in before.may else ConflictError
            raise refused(f"{says[:1].upper()}{says[1:]}.") from err
    return read_alert(store, alert)
