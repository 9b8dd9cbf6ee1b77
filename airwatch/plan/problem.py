"""The plan as arrays: what may come when into which bay, and what that costs. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import require
from airwatch.errors import PlanError
from airwatch.plan.frames import APPOINTMENTS, JOBS, PLACES, UNIT_TIMES
from airwatch.plan.risk import unplaced_risk, waiting
from airwatch.plan.settings import PlanSettings
from airwatch.plan.shop import Shop, Slot, is_in, is_open

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_HOUR = timedelta(hours=1)
TIGHT = 1e-9
"""Hours that rounding may take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What a plan is made from.

    Frames are as in `airwatch.plan.frames`: ``pins`` are jobs that somebody wants at a place, ``before`` the places of
    the plan before, ``is_adapting`` if the others are to make room for a move by hand.
    """

    jobs: pl.DataFrame
    shop: Shop
    slots: Sequence[Slot]
    begin: datetime
    unit_times: pl.DataFrame
    appointments: pl.DataFrame
    pins: pl.DataFrame
    before: pl.DataFrame
    is_adapting: bool = False

    def check(self) -> None:
        """Refuse what can't be planned with.

        Raises
        ------
        FrameError
            A column is missing or of another type.
        PlanError
            A job stands twice or takes no time, an appointment names a bay that is not there or ends before it starts,
            or the shop is never open.
        """
        frames = (
            (self.jobs, JOBS),
            (self.unit_times, UNIT_TIMES),
            (self.appointments, APPOINTMENTS),
            (self.pins, PLACES),
            (self.before, PLACES),
        )
        for frame, schema in frames:
            require(frame, schema, "a plan")
        if not self.slots:
            raise PlanError("the shop is not open in the days planned; check its hours, or plan more days")
        if (twice := self.jobs.filter(pl.col("job").is_duplicated())).height:
            raise PlanError(f"job {twice['job'][0]}: stands twice; give each job once")
        if (odd := self.jobs.filter(~(pl.col("work_h") > 0) | pl.col("work_h").is_infinite())).height:
            raise PlanError(f"job {odd['job'][0]}: work_h is {odd['work_h'][0]}; it must be above 0")
        bays = [bay.name for bay in self.shop.bay]
        for row in self.appointments.iter_rows(named=True):
            if row["bay"] not in bays:
                raise PlanError(
                    f"appointment {row['appointment']}: there is no bay {row['bay']!r}; the shop has {', '.join(bays)}"
                )
            if not row["start"] < row["end"]:
                raise PlanError(f"appointment {row['appointment']}: it ends before it starts; swap start and end")


@dataclass(frozen=True, slots=True)
class Bundle:
    """Jobs of one vehicle done in one visit; ``skills`` and ``equipment`` are bit masks, ``work_h`` of the visit."""

    jobs: tuple[int, ...]
    vehicle: int
    work_h: float
    skills: int
    equipment: int


@dataclass(frozen=True)
class Columns:
    """Every place that a bundle may have: one element a column.

    It uses ``use_h[use_from[i]:use_from[i + 1]]`` hours of its bay in the half days ``use_slot[...]``, and its vehicle
    stands there from the half day ``slot`` to ``last``.
    """

    bundle: Ints
    bay: Ints
    slot: Ints
    last: Ints
    cost: Floats
    use_from: Ints
    use_slot: Ints
    use_h: Floats

    @cached_property
    def table(self) -> "Table":
        """The same as lists, which are quicker where single elements are looked at."""
        edges = self.use_from.tolist()
        flat = list(zip(self.use_slot.tolist(), self.use_h.tolist(), strict=True))
        return Table(
            self.bundle.tolist(),
            self.bay.tolist(),
            self.slot.tolist(),
            self.last.tolist(),
            self.cost.tolist(),
            [flat[a:b] for a, b in pairwise(edges)],
        )


@dataclass(frozen=True, slots=True)
class Table:
    """Columns as lists; ``uses`` gives half days and hours of each."""

    bundle: list[int]
    bay: list[int]
    slot: list[int]
    last: list[int]
    cost: list[float]
    uses: list[list[tuple[int, float]]]


@dataclass(frozen=True, slots=True)
class Problem:
    """The plan as arrays.

    ``free_from`` and ``free_to`` give by bay and half day the longest free stretch, in hours after its begin;
    ``people`` a mask of skills each, ``present`` who is in when; ``unplaced`` what leaving out each job costs;
    ``pinned`` the place that a job must have, by its number.
    """

    given: Given
    settings: PlanSettings
    free_from: Floats
    free_to: Floats
    is_open: Bools
    people: tuple[int, ...]
    present: Bools
    vehicles: tuple[tuple[str, str], ...]
    home: Bools
    away: Bools
    taken: dict[tuple[int, int], set[int]]
    risk: Floats
    unplaced: Floats
    bundles: tuple[Bundle, ...]
    columns: Columns
    pinned: dict[int, tuple[int, int]]

    @property
    def capacity_h(self) -> Floats:
        """Hours that each bay has in each half day."""
        out: Floats = self.free_to - self.free_from
        return out

    @property
    def n_jobs(self) -> int:
        """How many jobs there are."""
        return int(self.unplaced.size)


def state_problem(given: Given, settings: PlanSettings, risk: Floats | None = None) -> Problem:
    """State a plan as arrays.

    Parameters
    ----------
    given : Given
        What it is made from.
    settings : PlanSettings
        What is weighed against what.
    risk : array, optional
        (jobs, slots + 1): what waiting until each half day costs, in the last column leaving it out. From the jobs'
        forecasts where it is not given.

    Raises
    ------
    FrameError, PlanError
        What is given can't be planned with.
    """
    given.check()
    jobs, slots = given.jobs, given.slots
    if risk is None:
        at_slots = waiting(jobs, given.begin, [slot.start for slot in slots], settings).risk
        left_out = unplaced_risk(jobs, given.begin, slots[-1].end, settings)
        risk = np.column_stack([at_slots, left_out])
    names = tuple(dict.fromkeys(jobs.select("fleet", "vehicle").iter_rows()))
    vehicles: tuple[tuple[str, str], ...] = tuple((str(fleet), str(vehicle)) for fleet, vehicle in names)
    skill_bits = _bits([*jobs["skills"], *([list(person.skills) for person in given.shop.person])])
    tool_bits = _bits([*jobs["equipment"], *([list(bay.equipment) for bay in given.shop.bay])])
    free_from, free_to, opened, taken = _bays(given, vehicles)
    home, away = _unit_times(given, vehicles, taken)
    pinned = _pins(given)
    bundles = _bundles(jobs, vehicles, skill_bits, tool_bits, settings)
    present = np.array([[is_in(person, slot) for slot in slots] for person in given.shop.person], dtype=bool)
    bay_tools = [_mask(bay.equipment, tool_bits) for bay in given.shop.bay]
    stated = Problem(
        given, settings, free_from, free_to, opened, tuple(_mask(one.skills, skill_bits) for one in given.shop.person),
        present, vehicles, home, away, taken, risk[:, :-1], risk[:, -1], bundles, _NO_COLUMNS, pinned,
    )  # fmt: skip
    columns = _columns(stated, bay_tools)
    return replace(stated, columns=columns)


def spans_of(problem: Problem, bay: int, slot: int, work_h: float) -> list[tuple[int, float]] | None:
    """Give the half days and hours that work begun in one takes, None if the bay can't have it there.

    What is longer than the free stretch begins with it, takes all of it and goes on where the bay opens next; an
    appointment in between rules it out.
    """
    free = problem.free_to[bay] - problem.free_from[bay]
    if not problem.is_open[bay, slot]:
        return None
    if work_h <= free[slot] + TIGHT:
        return [(slot, work_h)]
    uses: list[tuple[int, float]] = []
    left = work_h
    length = [one.length_h for one in problem.given.slots]
    for s in range(slot, len(length)):
        if not problem.is_open[bay, s]:
            continue
        begins, ends = problem.free_from[bay, s] <= TIGHT, problem.free_to[bay, s] >= length[s] - TIGHT
        if free[s] <= TIGHT or (uses and not begins):
            return None
        took = min(left, float(free[s]))
        uses.append((s, took))
        left -= took
        if left <= TIGHT:
            return uses
        if not ends or len(uses) >= problem.settings.work.longest_visit_half_days:
            return None
    return None


def _bays(
    given: Given, vehicles: tuple[tuple[str, str], ...]
) -> tuple[Floats, Floats, Bools, dict[tuple[int, int], set[int]]]:
    """Give the longest free stretch of each bay and half day, where it is open, and what vehicle is there booked."""
    shape = (len(given.shop.bay), len(given.slots))
    free_from, free_to = np.zeros(shape), np.zeros(shape)
    opened = np.zeros(shape, dtype=bool)
    taken: dict[tuple[int, int], set[int]] = defaultdict(set)
    booked: dict[str, list[tuple[datetime, datetime, int | None]]] = defaultdict(list)
    number = {name: k for k, name in enumerate(vehicles)}
    for row in given.appointments.sort("start").iter_rows(named=True):
        booked[row["bay"]].append((row["start"], row["end"], number.get((row["fleet"], row["vehicle"]))))
    for b, bay in enumerate(given.shop.bay):
        for s, slot in enumerate(given.slots):
            if not is_open(bay, slot):
                continue
            opened[b, s] = True
            edge, best = 0.0, (0.0, 0.0)
            for start, end, vehicle in booked[bay.name]:
                if start >= slot.end or end <= slot.start:
                    continue
                at, until = ((max(start, slot.start) - slot.start) / _HOUR, (min(end, slot.end) - slot.start) / _HOUR)
                best = max(best, (edge, at), key=lambda span: span[1] - span[0])
                edge = max(edge, until)
                if vehicle is not None:
                    taken[vehicle, s].add(b)
            best = max(best, (edge, slot.length_h), key=lambda span: span[1] - span[0])
            free_from[b, s], free_to[b, s] = best
    return free_from, free_to, opened, dict(taken)


def _unit_times(
    given: Given, vehicles: tuple[tuple[str, str], ...], taken: Iterable[tuple[int, int]]
) -> tuple[Bools, Bools]:
    """Give by vehicle and half day whether it is at home for all of it, and away for some of it."""
    shape = (len(vehicles), len(given.slots))
    home, away = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    number = {name: k for k, name in enumerate(vehicles)}
    for row in given.unit_times.iter_rows(named=True):
        if (k := number.get((row["fleet"], row["vehicle"]))) is None:
            continue
        for s, slot in enumerate(given.slots):
            if row["state"] == "home":
                home[k, s] |= row["start"] <= slot.start and row["end"] >= slot.end
            elif row["start"] < slot.end and row["end"] > slot.start:
                away[k, s] = True
    for k, s in taken:
        home[k, s] = True
    return home, away


def _pins(given: Given) -> dict[int, tuple[int, int]]:
    jobs = {job: k for k, job in enumerate(given.jobs["job"])}
    bays = {bay.name: k for k, bay in enumerate(given.shop.bay)}
    slots = {slot.start: k for k, slot in enumerate(given.slots)}
    pinned = {}
    for row in given.pins.iter_rows(named=True):
        if row["job"] not in jobs:
            raise PlanError(f"job {row['job']}: it is not among those to be planned; see airwatch plan show")
        if row["bay"] not in bays:
            raise PlanError(f"job {row['job']}: there is no bay {row['bay']!r}; the shop has {', '.join(bays)}")
        if row["start"] not in slots:
            near = min(slots, key=lambda start: abs(start - row["start"]))
            raise PlanError(
                f"job {row['job']}: no half day begins at {row['start']:%Y-%m-%d %H:%M}Z; the nearest begins at"
                f" {near:%Y-%m-%d %H:%M}Z"
            )
        pinned[jobs[row["job"]]] = (bays[row["bay"]], slots[row["start"]])
    return pinned


def _bundles(
    jobs: pl.DataFrame,
    vehicles: tuple[tuple[str, str], ...],
    skill_bits: dict[str, int],
    tool_bits: dict[str, int],
    settings: PlanSettings,
) -> tuple[Bundle, ...]:
    of_vehicle: dict[tuple[str, str], list[int]] = defaultdict(list)
    for j, (fleet, vehicle) in enumerate(jobs.select("fleet", "vehicle").iter_rows()):
        of_vehicle[fleet, vehicle].append(j)
    hours = jobs["work_h"].to_list()
    skills = [_mask(names, skill_bits) for names in jobs["skills"]]
    tools = [_mask(names, tool_bits) for names in jobs["equipment"]]
    found = []
    for v, name in enumerate(vehicles):
        for group in _groups(of_vehicle[name], settings.work.most_bundled):
            all_skills, all_tools = 0, 0
            for j in group:
                all_skills |= skills[j]
                all_tools |= tools[j]
            work_h = settings.work.visit_h + sum(hours[j] for j in group)
            found.append(Bundle(group, v, work_h, all_skills, all_tools))
    return tuple(found)


def _groups(jobs: list[int], most: int) -> list[tuple[int, ...]]:
    sizes = range(1, len(jobs) + 1) if len(jobs) <= most else (1, 2, len(jobs))
    return [group for size in sizes for group in combinations(jobs, size)]


def _columns(problem: Problem, bay_tools: list[int]) -> Columns:
    given, settings = problem.given, problem.settings
    n_slots = len(given.slots)
    starts = [slot.start for slot in given.slots]
    parts = [0 if here is None else _first_from(starts, here) for here in given.jobs["parts_here"]]
    moved = _moved(problem)
    free = problem.capacity_h
    by = settings.disturbance
    called_in = by.called_in_half_day * ~problem.home
    away_spells = _away_spells(given, problem.vehicles)
    rows: list[tuple[int, int, int, int, float, list[tuple[int, float]]]] = []
    for i, bundle in enumerate(problem.bundles):
        skilled = [mask & bundle.skills == bundle.skills for mask in problem.people]
        staffed: Bools = problem.present[np.array(skilled, dtype=bool)].any(axis=0)
        earliest = max(parts[j] for j in bundle.jobs)
        cost = by.a_visit + problem.risk[list(bundle.jobs)].sum(axis=0)
        pins = {problem.pinned[j] for j in bundle.jobs if j in problem.pinned}
        if len(pins) > 1:
            continue
        for b, tools in enumerate(bay_tools):
            if tools & bundle.equipment != bundle.equipment or (pins and next(iter(pins))[0] != b):
                continue
            extra = sum((moved[j][b] for j in bundle.jobs if j in moved), start=np.zeros(n_slots))
            ok = staffed & problem.is_open[b] & ~problem.away[bundle.vehicle] & (free[b] > TIGHT)
            ok[:earliest] = False
            if pins:
                only = np.zeros(n_slots, dtype=bool)
                only[next(iter(pins))[1]] = True
                ok &= only
            for s in np.flatnonzero(ok).tolist():
                uses = spans_of(problem, b, s, bundle.work_h)
                if uses is None:
                    continue
                last = uses[-1][0]
                if last > s and not _may_stay(problem, bundle.vehicle, s, last, staffed, uses, away_spells):
                    continue
                if any(problem.taken.get((bundle.vehicle, k), {b}) != {b} for k in range(s, last + 1)):
                    continue
                off_road = float(called_in[bundle.vehicle, s : last + 1].sum())
                rows.append((i, b, s, last, float(cost[s] + extra[s]) + off_road, uses))
    return _packed(rows)


def _may_stay(
    problem: Problem,
    vehicle: int,
    slot: int,
    last: int,
    staffed: Bools,
    uses: list[tuple[int, float]],
    away_spells: dict[int, list[tuple[datetime, datetime]]],
) -> bool:
    """Tell whether a vehicle may stand in a bay over several half days, and somebody can work on it in each."""
    start, end = problem.given.slots[slot].start, problem.given.slots[last].end
    is_away = any(a < end and b > start for a, b in away_spells.get(vehicle, ()))
    return not is_away and all(bool(staffed[s]) for s, _ in uses)


def _away_spells(given: Given, vehicles: tuple[tuple[str, str], ...]) -> dict[int, list[tuple[datetime, datetime]]]:
    number = {name: k for k, name in enumerate(vehicles)}
    spells: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    for row in given.unit_times.filter(state="away").iter_rows(named=True):
        if (k := number.get((row["fleet"], row["vehicle"]))) is not None:
            spells[k].append((row["start"], row["end"]))
    return spells


def _moved(problem: Problem) -> dict[int, Floats]:
    """Give by job and bay and half day what another place than before costs."""
    given, by = problem.given, problem.settings.disturbance
    share = by.adapting if given.is_adapting else 1.0
    bays = {bay.name: k for k, bay in enumerate(given.shop.bay)}
    numbers = {job: k for k, job in enumerate(given.jobs["job"])}
    starts = np.array([slot.start for slot in given.slots], dtype="datetime64[us]")
    found = {}
    for row in given.before.iter_rows(named=True):
        if (j := numbers.get(row["job"])) is None:
            continue
        days = np.abs((starts - np.datetime64(row["start"], "us")) / np.timedelta64(1, "D"))
        cost = np.tile(by.moved_job + by.moved_day * days, (len(bays), 1))
        if (b := bays.get(row["bay"])) is not None:
            cost[b, days == 0] = 0.0
        found[j] = share * cost
    return found


def _packed(rows: list[tuple[int, int, int, int, float, list[tuple[int, float]]]]) -> Columns:
    counts = np.array([len(row[5]) for row in rows], dtype=np.int64)
    flat = [use for row in rows for use in row[5]]
    bundle, bay, slot, last = (np.array([row[k] for row in rows], dtype=np.int64) for k in range(4))
    return Columns(
        bundle,
        bay,
        slot,
        last,
        np.array([row[4] for row in rows], dtype=np.float64),
        np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(counts)]),
        np.array([s for s, _ in flat], dtype=np.int64),
        np.array([h for _, h in flat], dtype=np.float64),
    )


_NO_COLUMNS = _packed([])


def _first_from(starts: list[datetime], when: datetime) -> int:
    return next((k for k, start in enumerate(starts) if start >= when), len(starts))


def _bits(groups: Iterable[Iterable[str]]) -> dict[str, int]:
    names = sorted({name for group in groups for name in group})
    return {name: 1 << k for k, name in enumerate(names)}


def _mask(names: Iterable[str], bits: dict[str, int]) -> int:
    mask = 0
    for name in names:
        mask |= bits[name]
    return mask
