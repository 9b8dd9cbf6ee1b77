"""What stands on the sheet of a work order: evidence, what to check first, values to fill in, cautions. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import polars as pl
from msgspec import Struct

from airwatch.alerts.frames import ALERTS
from airwatch.derive.frames import require
from airwatch.limits.table import ANY, Limit, shipped_defaults, shipped_limits
from airwatch.plan.faults import FaultWork, Fill, shipped_fault_work

_WORTH_A_LOOK = 0.1
"""The probability from which another explanation is looked into if the first is not found."""


class FillRow(Struct, frozen=True):
    """A value to fill in: what, in which measure, and the limits in words with their source."""

    what: str
    measure: str
    limits: tuple[str, ...]


class Explained(Struct, frozen=True):
    """One explanation of an air loss: ``says`` how it shows, ``evidence`` what was seen that speaks for it."""

    fault: str
    circuit: str | None
    probability: float
    says: str
    evidence: tuple[str, ...]


class SheetJob(Struct, frozen=True):
    """One job on a sheet; ``told`` is when its limit is crossed, in words."""

    job: str
    fault: str
    severity: str
    summary: str
    told: str
    explained: tuple[Explained, ...]
    first: tuple[str, ...]
    parts: tuple[str, ...]
    fill: tuple[FillRow, ...]


class Sheet(Struct, frozen=True):
    """A work order as it is printed; times are RFC 3339, UTC."""

    work_order: str
    sequence: int
    state: str
    fleet: str
    vehicle: str
    kind: str | None
    rule_set: str
    bay: str
    start: str
    end: str
    people: tuple[str, ...]
    jobs: tuple[SheetJob, ...]
    cautions: tuple[str, ...]


def sheet_of(
    order: Mapping[str, Any],
    alerts: pl.DataFrame,
    registered: Mapping[str, Any] | None,
    *,
    work: FaultWork | None = None,
    limits: Sequence[Limit] | None = None,
) -> Sheet:
    """Put a sheet together.

    What the readings speak for comes first among what to check, each explanation that is worth a look in its turn; the
    trade's own steps follow. Limits are those of the unit's rule set that judge what is to be measured.

    Parameters
    ----------
    order : mapping
        A row of `airwatch.plan.orders.ORDER_CHANGES`.
    alerts : DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`; of the order's jobs, those that are still there.
    registered : mapping, optional
        The vehicle's row of the registry.
    work, limits : optional
        The shipped tables by default.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    PlanError
        A fault is not in the table of work.
    """
    require(alerts, ALERTS, "sheet_of")
    table = work or shipped_fault_work()
    rule_set = str(registered["rule_set"]) if registered is not None else shipped_defaults().default_rule_set
    kind = str(registered["kind"]) if registered is not None else None
    rows = [row for row in alerts.iter_rows(named=True) if row["id"] in order["jobs"]]
    rows.sort(key=lambda row: order["jobs"].index(row["id"]))
    judging = [one for one in (limits or shipped_limits()) if one.breach != "cited" and one.rule_set in (rule_set, ANY)]
    if kind is not None:
        judging = [one for one in judging if kind in one.kinds]
    own = [caution for row in rows for caution in table.of(row["fault"]).cautions]
    return Sheet(
        order["work_order"],
        order["sequence"],
        order["state"],
        order["fleet"],
        order["vehicle"],
        kind,
        rule_set,
        order["bay"],
        f"{order['start'].isoformat()}Z",
        f"{order['end'].isoformat()}Z",
        tuple(order["people"]),
        tuple(_job(row, table, judging) for row in rows),
        (*table.cautions, *dict.fromkeys(own)),
    )


def sheet_text(sheet: Sheet) -> str:
    """Write a sheet as plain text that can be printed as it is."""
    lines = [
        f"WORK ORDER {sheet.work_order} (change {sheet.sequence}, {sheet.state})",
        f"Vehicle   {sheet.vehicle}, fleet {sheet.fleet}" + (f", {sheet.kind}" if sheet.kind else ""),
        f"Where     {sheet.bay}, {sheet.start} to {sheet.end}",
        f"Who       {', '.join(sheet.people) or '-'}",
        "",
        "CAUTIONS",
        *(f"  ! {caution}" for caution in sheet.cautions),
    ]
    for number, job in enumerate(sheet.jobs, 1):
        lines += [
            "",
            f"JOB {number}: {job.fault} ({job.severity}), alert {job.job}",
            f"  {job.summary}",
            f"  {job.told}",
        ]
        for one in job.explained:
            where = f", {one.circuit} circuit" if one.circuit else ""
            lines.append(f"  Evidence: {one.fault}{where}, {100 * one.probability:.0f} %: {one.says}")
            lines += [f"    - {seen}" for seen in one.evidence]
        lines += ["  Check first:", *(f"    {k}. {step}" for k, step in enumerate(job.first, 1))]
        if job.parts:
            lines.append(f"  Parts usually needed: {', '.join(job.parts)}")
        for row in job.fill:
            lines.append(f"  [ ________ {row.measure} ]  {row.what}")
            lines += [f"        {limit}" for limit in row.limits]
        lines.append("  Found and done: ____________________________________________________________")
    lines += ["", "Name, date: ______________________________"]
    return "\n".join([*lines, ""])


def _job(row: Mapping[str, Any], table: FaultWork, limits: Sequence[Limit]) -> SheetJob:
    work = table.of(row["fault"])
    details = _details(row)
    explained = [one for one in details.get("explanations") or [] if isinstance(one, dict)]
    looked_into = [one for k, one in enumerate(explained) if k == 0 or one["probability"] >= _WORTH_A_LOOK]
    inspect = [one.get("inspect") or "" for one in looked_into] or [details.get("inspect") or ""]
    return SheetJob(
        row["id"],
        row["fault"],
        row["severity"],
        row["summary"],
        _told(row, details),
        tuple(
            Explained(
                one["fault"],
                one.get("circuit"),
                float(one["probability"]),
                one.get("says") or "",
                tuple(e["seen"] for e in one.get("evidence") or [] if e["speaks"] > 0),
            )
            for one in looked_into
        ),
        tuple(dict.fromkeys([*filter(None, inspect), *work.first])),
        tuple(part.name for part in work.parts),
        tuple(_fill(one, limits) for one in work.fill),
    )


def _details(row: Mapping[str, Any]) -> dict[str, Any]:
    """Give what is stored of an alert; nothing where nothing can be read."""
    try:
        details = msgspec.json.decode(row["details"])
    except msgspec.DecodeError:
        return {}
    return details if isinstance(details, dict) else {}


def _told(row: Mapping[str, Any], details: Mapping[str, Any]) -> str:
    since, likely = details.get("beyond_since"), row["crossing_likely"]
    if since:
        return f"Limit crossed in measured fact since {since[:10]}: not to be driven until it was looked at."
    if likely is None:
        return "Limit not crossed in measured fact, and no trend says when it will be."
    early, late = row["crossing_early"], row["crossing_late"]
    between = f", between {early:%Y-%m-%d} and {late:%Y-%m-%d} with 80 % probability" if early and late else ""
    return f"Limit likely crossed about {likely:%Y-%m-%d}{between}."


def _fill(fill: Fill, limits: Sequence[Limit]) -> FillRow:
    return FillRow(fill.what, fill.measure, tuple(_limit(one) for one in limits if one.check == fill.check))


def _limit(limit: Limit) -> str:
    edges = [
        f"{word} {value:g}" for word, value in (("at least", limit.low), ("at most", limit.high)) if value is not None
    ]
    source = ", ".join(filter(None, (limit.source or "common practice", limit.section)))
    word = "limit" if limit.breach == "fail" else "watch"
    return f"{word}: {' and '.join(edges)} {limit.unit}; {limit.condition} ({source})"
