"""Readings to alerts: one row a unit and fault."""

import polars as pl

from airwatch.alerts.air_loss import air_losses
from airwatch.alerts.by_rule import rule_alerts
from airwatch.alerts.frames import ALERTS
from airwatch.alerts.holds import CHECKS as HOLD_CHECKS
from airwatch.alerts.peers import Peers, duties, peers_of, unit_days, usual_of_peers
from airwatch.alerts.settings import Settings, shipped_settings
from airwatch.alerts.told import air_loss_alerts
from airwatch.derive.frames import READINGS, UNIT, require
from airwatch.limits.judge import as_judged
from airwatch.limits.table import limits_frame, shipped_limits

CHECKS_USED = tuple(sorted({*HOLD_CHECKS, *(rule.check for rule in shipped_settings().rule), "governor_cycles"}))
"""The checks whose readings can open or explain an alert."""

NOTED = tuple(sorted({rule.check for rule in shipped_settings().rule if "{note}" in rule.says}))
"""Those whose notes stand in a summary."""

FACTS_USED = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "kind": pl.String(),
        "is_towing": pl.Boolean(),
        "cut_out_kpa": pl.Float64(),
        "axles": pl.Int32(),
    }
)
"""What is taken of `airwatch.derive.frames.FACTS`."""


def fold_alerts(
    readings: pl.DataFrame,
    facts: pl.DataFrame | None = None,
    *,
    peers: Peers | None = None,
    settings: Settings | None = None,
) -> pl.DataFrame:
    """Open an alert for each unit and fault that its readings speak for.

    Air loss is looked for in all leak readings together and explained by the patterns that they show; other faults have
    a rule each. An alert is opened at the end of the reading that completed its evidence, and stays: whether a fault
    that is no longer seen was mended is for people to say.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`, all readings of the units in question that still count.
    facts : DataFrame, optional
        Columns `FACTS_USED` or more; units that it lacks may tow, and have no rated cut-out.
    peers : Peers, optional
        What is usual for units alike; from these readings by default.
    settings : Settings, optional
        The shipped thresholds, rules and signatures by default.

    Returns
    -------
    DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`, sorted by unit and fault.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(readings, READINGS, "fold_alerts")
    facts = pl.DataFrame(schema=FACTS_USED) if facts is None else facts
    require(facts, FACTS_USED, "fold_alerts")
    settings = settings or shipped_settings()
    judged = as_judged(readings, limits_frame(shipped_limits()))
    days = unit_days(readings, facts)
    peers = peers_of(days, settings.peers) if peers is None else peers
    units = facts.join(duties(days, settings.peers), on=UNIT, how="left", maintain_order="left")
    usual = usual_of_peers(units, peers)
    losses = air_losses(judged, facts.select(*UNIT, "kind", "is_towing"), settings, usual, peers.shifts)
    leaking = {(loss.fleet, loss.unit) for loss in losses}
    others = rule_alerts(judged, facts, settings, leaking=leaking, usual=usual)
    return pl.concat([air_loss_alerts(losses, settings), others]).select(ALERTS.keys()).sort(*UNIT, "fault", "id")
