"""The small fleet, and beside it another one that is its copy under other names."""

from airwatch.store.database import Store
from airwatch.store.telemetry import unit_key
from airwatch.store.views import tables_of
from tests.dashboards.alert_rows import LEAK
from tests.dashboards.small_fleet import ORDER, fill

OTHER_LEAK = f"9{LEAK[1:]}"
_RENAMED = {
    "fleet": "'south'",
    "unit": "replace(unit, 'K-', 'Q-')",
    "id": "'9' || substr(id, 2)",
    "alert": "'9' || substr(alert, 2)",
    "event": "'9' || substr(event, 2)",
    "topic": "replace(replace(topic, '/north/', '/south/'), 'K-', 'Q-')",
}


def add_other_fleet(store: Store) -> None:
    """Copy all that is of the fleet north to south, K- to Q-."""
    keys = [(unit_key("north", unit), unit_key("south", unit.replace("K-", "Q-"))) for unit in ORDER]
    cases = " ".join(f"WHEN {ours} THEN {theirs}" for ours, theirs in keys)
    renamed = _RENAMED | {"unit_key": f"CASE unit_key {cases} END"}
    for table, columns in tables_of(store).items():
        if columns & {"fleet", "topic", "unit_key"}:
            with store.transaction() as write:
                put = ", ".join(f"{renamed[name]} AS {name}" for name in sorted(columns & renamed.keys()))
                write.execute(f"INSERT INTO air.{table} SELECT * REPLACE ({put}) FROM air.{table}")  # noqa: S608


def fill_both(store: Store) -> None:
    fill(store)
    add_other_fleet(store)
