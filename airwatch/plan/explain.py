"""Why each job is where it is, what a day later would cost, and why some don't fit. Pure."""

from datetime import datetime, timedelta
from itertools import groupby

import polars as pl

from airwatch.plan.frames import REASONS
from airwatch.plan.obstacles import Obstacle, lasting, local, passing
from airwatch.plan.problem import Problem
from airwatch.plan.risk import Waiting, waiting
from airwatch.plan.schedule import Schedule
from airwatch.plan.search import Index

_MOST_SPELLS = 3
"""Times before the place for which it is said what stands in the way: the last ones tell most."""

_DAY = timedelta(days=1)


def explain(schedule: Schedule, index: Index) -> pl.DataFrame:
    """Explain a plan.

    What stands in the way of an earlier place is looked for with everything else left where it is: bay by bay, and what
    is said is of the bay where least is in the way. A free place before it costs more than it gains.

    Parameters
    ----------
    schedule : Schedule
        The plan.
    index : Index
        Of the same problem.

    Returns
    -------
    DataFrame
        Columns as `REASONS`, in the order of the jobs.
    """
    problem = schedule.problem
    given = problem.given
    table = problem.columns.table
    ends = [slot.start for slot in given.slots]
    now = waiting(given.jobs, given.begin, ends, problem.settings)
    later = waiting(given.jobs, given.begin, [end + _DAY for end in ends], problem.settings)
    rows = []
    for j in range(problem.n_jobs):
        row = given.jobs.row(j, named=True)
        column = schedule.by_job.get(j)
        shared = {"job": row["job"], "fleet": row["fleet"], "vehicle": row["vehicle"]}
        if column is None:
            rows.append({**shared, "is_late": row["due"] is not None, "why": _left_out(schedule, index, j)})
            continue
        s = table.slot[column]
        start = given.slots[s].start
        is_late = row["due"] is not None and start >= row["due"]
        rows.append(
            {
                **shared,
                "bay": given.shop.bay[table.bay[column]].name,
                "slot": start,
                "chance_before": float(now.chance[j, s]),
                "risk": float(now.risk[j, s]),
                "day_later": float(later.risk[j, s] - now.risk[j, s]),
                "is_late": is_late,
                "why": _why(schedule, index, j, column, row, now, later, is_late=is_late),
            }
        )
    return pl.DataFrame(rows, schema=REASONS)


def _why(
    schedule: Schedule,
    index: Index,
    j: int,
    column: int,
    row: dict[str, object],
    now: Waiting,
    later: Waiting,
    *,
    is_late: bool,
) -> str:
    problem = schedule.problem
    s = problem.columns.table.slot[column]
    parts = []
    if row["is_beyond"]:
        parts.append("its limit is crossed already: not to be driven until it was looked at; each day counts")
    elif row["crossing_likely"] is not None:
        parts.append(f"its limit is crossed before then with {_percent(now.chance[j, s])} probability")
    else:
        parts.append("no trend says when its limit is crossed")
    parts.append(
        f"a day later adds {later.risk[j, s] - now.risk[j, s]:.2f} to its risk of {now.risk[j, s]:.2f}"
        + ("" if row["is_beyond"] else f" (then {_percent(later.chance[j, s])})")
    )
    together = [k for k in problem.bundles[problem.columns.table.bundle[column]].jobs if k != j]
    if together:
        parts.append(f"together with {', '.join(problem.given.jobs['fault'][k] for k in together)}")
    if j in problem.pinned:
        parts.append("somebody fixed it there")
    else:
        parts.append(_earlier(schedule, index, column))
    if is_late and isinstance(row["due"], datetime):
        parts.append(f"not before {row['due_for']} ({local(problem, row['due'])}): nothing that would do is free")
    text = "; ".join(part for part in parts if part)
    return text[0].upper() + text[1:]


def _percent(chance: float) -> str:
    """Write a chance, never as impossible or certain."""
    if chance < 0.01:  # noqa: PLR2004 what rounds to none
        return "less than 1 %"
    return "more than 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"  # noqa: PLR2004


def _earlier(schedule: Schedule, index: Index, column: int) -> str:
    """Say what stands in the way of earlier half days."""
    problem = schedule.problem
    table = problem.columns.table
    slot = table.slot[column]
    if slot == 0:
        return "it is the first half day"
    schedule.remove(column)
    try:
        said = [(s, _nearest(schedule, index, table.bundle[column], s, table.cost[column])) for s in range(slot)]
    finally:
        schedule.add(column)
    return f"earlier: {_spells(problem, said)}"


def _nearest(schedule: Schedule, index: Index, bundle: int, slot: int, cost: float | None) -> str:
    """Say what is in the way of one half day, of the bay where it is least."""
    problem = schedule.problem
    wanted = problem.bundles[bundle]
    best: Obstacle | None = None
    for bay in range(len(problem.given.shop.bay)):
        found = lasting(problem, wanted, bay, slot)
        if found is None:
            column = index.at.get((bundle, bay, slot))
            if column is None:  # one of its jobs is fixed to another place
                continue
            found = passing(schedule, column, wanted)
            if found is None:
                more = problem.columns.table.cost[column] - (cost or 0.0)
                found = Obstacle(9, f"free, but taking the vehicle off the road then costs more ({more:+.2f})")
        if best is None or found.nearness > best.nearness:
            best = found
    return "fixed elsewhere" if best is None else best.says


def _spells(problem: Problem, said: list[tuple[int, str]]) -> str:
    spells = [(text, [s for s, _ in group]) for text, group in groupby(said, key=lambda one: one[1])]
    shown = []
    for text, slots in spells[-_MOST_SPELLS:]:
        first, last = (local(problem, problem.given.slots[s].start) for s in (slots[0], slots[-1]))
        shown.append(f"{first if first == last else f'{first} to {last}'} {text}")
    return ", ".join(shown)


def _left_out(schedule: Schedule, index: Index, j: int) -> str:
    """Say why a job does not fit."""
    problem = schedule.problem
    bundle = index.bundle_of[j,]
    wanted = problem.bundles[bundle]
    possible = index.earliest[bundle][0].tolist()
    what = f"does not fit ({wanted.work_h:g} h with bringing it in)"
    if not possible:
        n_bays = len(problem.given.shop.bay)
        found = [
            obstacle
            for s in range(len(problem.given.slots))
            for obstacle in [
                max(filter(None, (lasting(problem, wanted, b, s) for b in range(n_bays))), key=lambda o: o.nearness)
            ]
        ]
        reasons = list(dict.fromkeys(one.says for one in found))
        return f"{what[0].upper()}{what[1:]}: no place within the plan would do: {'; '.join(reasons[:_MOST_SPELLS])}"
    if any(schedule.fits(c) for c in possible):
        return f"{what[0].upper()}{what[1:]} without disturbing more than it is worth; it can wait for the next plan"
    reasons = list(dict.fromkeys(_blocked(schedule, c) for c in possible))
    count = len({problem.columns.table.slot[c] for c in possible})
    return (
        f"{what[0].upper()}{what[1:]}: it could come in {count} half days, and all are taken by work whose delay costs"
        f" more: {'; '.join(reasons[:_MOST_SPELLS])}"
    )


def _blocked(schedule: Schedule, column: int) -> str:
    problem = schedule.problem
    found = passing(schedule, column, problem.bundles[problem.columns.table.bundle[column]])
    start = problem.given.slots[problem.columns.table.slot[column]].start
    return f"{local(problem, start)} {found.says if found is not None else 'free'}"
