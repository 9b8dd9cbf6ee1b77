"""Readings before and after the repairs of a work order."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from airwatch.alerts.before_after import BEFORE_AFTER, before_after
from airwatch.store.alerts import alert_of
from airwatch.store.database import Store
from dashboards.alert_readings import readings_of_alert


def proof_of(store: Store, order: Mapping[str, Any]) -> pl.DataFrame:
    """Compare the readings before and after the work of an order.

    Parameters
    ----------
    store : Store
        Where they are read from.
    order : mapping
        A row of `airwatch.plan.orders.ORDER_CHANGES`.

    Returns
    -------
    DataFrame
        ``job`` and the columns of `airwatch.alerts.before_after.BEFORE_AFTER`; no row for work that is not done, or
        that no readings of the same conditions on both sides tell of.
    """
    found = [pl.DataFrame(schema={"job": pl.String, **BEFORE_AFTER})]
    for job in order["jobs"] if order["state"] == "done" else ():
        for alert in alert_of(store, job).iter_rows(named=True):
            compared = before_after(readings_of_alert(store, alert), alert, order["at"])
            found.append(compared.select(pl.lit(job).alias("job"), *BEFORE_AFTER))
    return pl.concat(found)
