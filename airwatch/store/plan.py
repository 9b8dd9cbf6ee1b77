"""The shop's plan in the store: its set-up, appointments, plans and work orders. Rows are only added."""

from datetime import UTC, datetime
from typing import Any

import polars as pl

from airwatch.alerts.lifecycle import HISTORY
from airwatch.contract.columns import TIME
from airwatch.plan.frames import APPOINTMENTS, UNIT_TIMES
from airwatch.plan.orders import ORDER_CHANGES
from airwatch.store.database import Store

PLANS = pl.Schema(
    {
        "plan": pl.Int64(),
        "shop": pl.String(),
        "setup": pl.Int64(),
        "recorded": TIME,
        "who": pl.String(),
        "why": pl.String(),
        "begin": TIME,
        "end": TIME,
        "risk": pl.Float64(),
        "cost": pl.Float64(),
        "bound": pl.Float64(),
        "seconds": pl.Float64(),
        "found_by": pl.String(),
    }
)
"""One row a plan."""

PLAN_JOBS = pl.Schema(
    {
        "plan": pl.Int64(),
        "job": pl.String(),
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "bay": pl.String(),
        "slot": TIME,
        "is_fixed": pl.Boolean(),
        "parts_here": TIME,
        "chance_before": pl.Float64(),
        "risk": pl.Float64(),
        "day_later": pl.Float64(),
        "is_late": pl.Boolean(),
        "why": pl.String(),
    }
)
"""One row a job of a plan; bay and slot null where it does not fit."""

SETUPS = pl.Schema(
    {
        "setup": pl.Int64(),
        "shop": pl.String(),
        "recorded": TIME,
        "who": pl.String(),
        "why": pl.String(),
        "description": pl.String(),
    }
)
"""One row a description of a shop."""


def now_plain() -> datetime:
    """Give the present time as the store keeps it: UTC without a zone."""
    return datetime.now(UTC).replace(tzinfo=None)


def add_setup(store: Store, shop: str, description: str, *, who: str, why: str) -> int:
    """Add a description of a shop, which holds from now on, and give its number."""
    row: dict[str, Any] = {"shop": shop, "recorded": now_plain(), "who": who, "why": why, "description": description}
    with store.exclusive():
        number = int(store.frame("SELECT coalesce(max(setup), 0) + 1 AS n FROM air.shop_setups")["n"][0])
        _add(store, "shop_setups", pl.DataFrame([{**row, "setup": number}], schema=SETUPS))
    return number


def setups(store: Store) -> pl.DataFrame:
    """Give the description of each shop that holds; columns as `SETUPS`."""
    return store.frame(
        f"SELECT {_names(SETUPS)} FROM air.shop_setups"
        " QUALIFY row_number() OVER (PARTITION BY shop ORDER BY setup DESC) = 1 ORDER BY shop"
    ).cast(SETUPS)


def add_appointment(store: Store, shop: str, appointment: pl.DataFrame, *, state: str, who: str, why: str) -> None:
    """Add an appointment (columns as `APPOINTMENTS`), or what became of it: `kept` or `cancelled`."""
    _add(
        store,
        "appointments",
        appointment.select(APPOINTMENTS.keys()).with_columns(
            shop=pl.lit(shop), state=pl.lit(state), who=pl.lit(who), why=pl.lit(why), recorded=pl.lit(now_plain(), TIME)
        ),
    )


def appointments(store: Store, shop: str) -> pl.DataFrame:
    """Give the appointments of a shop that are kept; columns as `APPOINTMENTS`."""
    return store.frame(
        f"SELECT {_names(APPOINTMENTS)} FROM (FROM air.appointments WHERE shop = $shop"
        " QUALIFY row_number() OVER (PARTITION BY appointment ORDER BY recorded DESC) = 1)"
        " WHERE state = 'kept' ORDER BY \"start\", appointment",
        {"shop": shop},
    ).cast(APPOINTMENTS)


def add_unit_times(store: Store, times: pl.DataFrame, *, who: str) -> None:
    """Add when vehicles are home or away (columns as `UNIT_TIMES`); `unknown` takes back what was said of that time."""
    added = times.select(UNIT_TIMES.keys()).with_columns(who=pl.lit(who), recorded=pl.lit(now_plain(), TIME))
    _add(store, "unit_times", added)


def unit_times(store: Store) -> pl.DataFrame:
    """Give when vehicles are home or away, of each span the last word; columns as `UNIT_TIMES`."""
    return store.frame(
        f"SELECT {_names(UNIT_TIMES)} FROM (FROM air.unit_times"
        ' QUALIFY row_number() OVER (PARTITION BY fleet, vehicle, "start", "end" ORDER BY recorded DESC) = 1)'
        " WHERE state <> 'unknown' ORDER BY fleet, vehicle, \"start\""
    ).cast(UNIT_TIMES)


def newest_plan(store: Store, shop: str) -> pl.DataFrame:
    """Give the last plan of a shop, no row if there is none; columns as `PLANS`."""
    return store.frame(
        f"SELECT {_names(PLANS)} FROM air.plans WHERE shop = $shop ORDER BY plan DESC LIMIT 1", {"shop": shop}
    ).cast(PLANS)


def plans(store: Store) -> pl.DataFrame:
    """Give all plans, the oldest first; columns as `PLANS`."""
    return store.frame(f"SELECT {_names(PLANS)} FROM air.plans ORDER BY plan").cast(PLANS)


def plan_jobs(store: Store, plan: int) -> pl.DataFrame:
    """Give the jobs of a plan by their place; columns as `PLAN_JOBS`."""
    return store.frame(
        f"SELECT {_names(PLAN_JOBS)} FROM air.plan_jobs WHERE plan = $plan ORDER BY slot NULLS LAST, bay, vehicle, job",
        {"plan": plan},
    ).cast(PLAN_JOBS)


def next_plan(store: Store) -> int:
    """Give the number that the next plan gets; ask within `Store.exclusive`."""
    return int(store.frame("SELECT coalesce(max(plan), 0) + 1 AS n FROM air.plans")["n"][0])


def add_plan(store: Store, plan: pl.DataFrame, jobs: pl.DataFrame, changes: pl.DataFrame) -> None:
    """Add a plan (columns as `PLANS`), its jobs (`PLAN_JOBS`) and what it changes in work orders, at once."""
    with store.transaction(
        new_plan=plan.select(PLANS.keys()),
        new_jobs=jobs.select(PLAN_JOBS.keys()),
        changes=changes.select(ORDER_CHANGES.keys()),
    ) as write:
        write.execute("INSERT INTO air.plans BY NAME SELECT * FROM new_plan")
        write.execute("INSERT INTO air.plan_jobs BY NAME SELECT * FROM new_jobs")
        write.execute("INSERT INTO air.work_order_changes BY NAME SELECT * FROM changes")


def order_changes(store: Store) -> pl.DataFrame:
    """Give all changes of work orders; columns as `ORDER_CHANGES`."""
    return store.frame(
        f"SELECT {_names(ORDER_CHANGES)} FROM air.work_order_changes ORDER BY work_order, sequence"
    ).cast(ORDER_CHANGES)


def add_order_changes(store: Store, changes: pl.DataFrame) -> None:
    """Add changes of work orders; columns as `ORDER_CHANGES`."""
    _add(store, "work_order_changes", changes.select(ORDER_CHANGES.keys()))


def alert_history(store: Store) -> pl.DataFrame:
    """Give the history of all alerts in the order in which it was written; columns as `HISTORY`."""
    return store.frame(f"SELECT {_names(HISTORY)} FROM air.alert_history ORDER BY recorded, event").cast(HISTORY)


def _add(store: Store, table: str, rows: pl.DataFrame) -> None:
    with store.transaction(rows=rows) as write:
        write.execute(f"INSERT INTO air.{table} BY NAME SELECT * FROM rows")


def _names(schema: pl.Schema) -> str:
    return ", ".join(f'"{name}"' for name in schema)
