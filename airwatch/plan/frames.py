"""The frames that the plan is made from, and those it is given back as. Times are UTC without a zone."""

import polars as pl

from airwatch.contract.columns import TIME

JOBS = pl.Schema(
    {
        "job": pl.String(),
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "fault": pl.String(),
        "severity": pl.String(),
        "opened": TIME,
        "updated": TIME,
        "is_beyond": pl.Boolean(),
        "crossing_early": TIME,
        "crossing_likely": TIME,
        "crossing_late": TIME,
        "work_h": pl.Float64(),
        "skills": pl.List(pl.String()),
        "equipment": pl.List(pl.String()),
        "parts_here": TIME,
        "parts": pl.String(),
        "due": TIME,
        "due_for": pl.String(),
        "summary": pl.String(),
    }
)
"""One row a job: an alert, by its id, as work on one vehicle (the trailer, where the fault lies in one that is named).

``is_beyond`` if its limit is crossed in measured fact; ``work_h`` hours in the bay beside those of the visit;
``parts_here`` when the last of its parts is there, null where none is waited for; ``due`` the begin of an inspection
campaign before which it should be done, named in ``due_for``.
"""

UNIT_TIMES = pl.Schema({"fleet": pl.String(), "vehicle": pl.String(), "start": TIME, "end": TIME, "state": pl.String()})
"""When a vehicle is `home` (work disturbs nobody) or `away` (it can't come); at other times it can be called in."""

APPOINTMENTS = pl.Schema(
    {
        "appointment": pl.String(),
        "bay": pl.String(),
        "start": TIME,
        "end": TIME,
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "note": pl.String(),
    }
)
"""Times at which a bay is taken, by a vehicle or (null) by something else; they are never moved."""

PLACES = pl.Schema({"job": pl.String(), "bay": pl.String(), "start": TIME})
"""Jobs with their bay and the begin of their half day: of the plan before, or where somebody wants them."""

VISITS = pl.Schema(
    {
        "visit": pl.Int64(),
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "jobs": pl.List(pl.String()),
        "bay": pl.String(),
        "slot": TIME,
        "start": TIME,
        "end": TIME,
        "work_h": pl.Float64(),
        "people": pl.List(pl.String()),
    }
)
"""One row a visit of a vehicle; ``slot`` is the begin of its half day, ``start`` and ``end`` lie within the bay's."""

REASONS = pl.Schema(
    {
        "job": pl.String(),
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "bay": pl.String(),
        "slot": TIME,
        "chance_before": pl.Float64(),
        "risk": pl.Float64(),
        "day_later": pl.Float64(),
        "is_late": pl.Boolean(),
        "why": pl.String(),
    }
)
"""One row a job: bay and half day, null where it does not fit.

``chance_before`` that its limit is crossed before it is in the bay, 0 to 1; ``risk`` of waiting until then in the
measure of `settings.toml`, and how much a day later would add; ``is_late`` if it misses its campaign; ``why`` in words.
"""
