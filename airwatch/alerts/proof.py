"""Whether readings since a repair show that it held."""

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from airwatch.alerts.frames import figure, of_alert
from airwatch.alerts.lifecycle import Proof
from airwatch.alerts.settings import Settings, shipped_settings

# The checks in which each fault shows, so the ones that can show that it is gone.
_SHOWN_IN = {
    "leak_supply": ("leak_static", "leak_running"),
    "leak_primary": ("leak_static", "leak_released"),
    "leak_secondary": ("leak_static", "leak_released"),
    "leak_trailer": ("leak_static", "leak_released"),
    "leak_released": ("leak_released",),
    "leak_applied": ("leak_applied",),
    "supply_backflow": ("supply_drop", "leak_static"),
    "compressor_weak": ("build_up_time",),
    "governor_cut_out_high": ("governor_cut_out",),
    "governor_cut_out_low": ("governor_cut_out",),
    "governor_short_cycling": ("governor_differential",),
    "low_air_warning_low": ("low_air_warning",),
    "low_air_warning_missing": ("low_air_warning",),
    "protection_valve_low": ("protection_valve",),
    "abs_active": ("abs_self_check",),
    "abs_intermittent": ("abs_self_check",),
    "abs_lamp": ("abs_self_check",),
}


def shown_in(fault: str) -> tuple[str, ...]:
    """Give the checks in which a fault shows, so the ones that can show that it is gone."""
    return _SHOWN_IN[fault]


def proofs(
    readings: pl.DataFrame, alerts: pl.DataFrame, spent: Mapping[str, datetime], settings: Settings | None = None
) -> dict[str, Proof]:
    """Say which repairs the readings since then prove.

    A repair holds if the readings in which its fault showed pass since then: enough of them, over long enough. For an
    alert that names a circuit they are that circuit's. Where a reading is not sure, it proves nothing.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`.
    alerts : DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`.
    spent : mapping
        By id of the alert the time of its repair.
    settings : Settings, optional
        The shipped thresholds by default.
    """
    needed = (settings or shipped_settings()).proof
    found = {}
    for row in alerts.filter(state="repaired").iter_rows(named=True):
        since = spent.get(row["id"])
        if since is None:
            continue
        told = readings.filter(
            of_alert(row) & (pl.col("start") >= since) & pl.col("check").is_in(_SHOWN_IN[row["fault"]])
        ).sort("end")
        if row["circuit"] in ("primary", "secondary") and row["fault"].startswith("leak_"):
            told = told.filter(pl.col("circuit") == row["circuit"])
        passed = told.filter(
            (pl.col("verdict") == "pass") | (pl.col("rule").is_null() & (row["fault"] == "supply_backflow"))
        )
        n_holds = passed["start"].n_unique()
        newest = passed.tail(1).to_dicts()
        if newest and n_holds >= needed.readings and newest[0]["end"] - since >= timedelta(hours=needed.hours):
            last = newest[0]
            says = f"{n_holds} readings since the repair are within limits"
            if last["value"] is not None and last["lower"] is not None:
                between = f"{figure(last['lower'])} to {figure(last['upper'])}"
                says = f"{says}, the last {figure(last['value'])} {last['measure']} ({between})"
            found[row["id"]] = Proof(at=last["end"], says=says)
    return found
