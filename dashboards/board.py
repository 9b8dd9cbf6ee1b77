"""The fleet as it stands, kept ready: read once for each change of results, not once for each reader."""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import polars as pl

from airwatch.alerts.lifecycle import CLOSED
from airwatch.errors import AirwatchError
from airwatch.store.changes import Change
from airwatch.store.database import Store
from airwatch.store.heard import newest_data
from airwatch.store.quality import newest_days
from airwatch.store.registry import current
from airwatch.store.results import alerts, landing_counts, newest_readings, unit_states
from airwatch.store.series import WANTED, daily_medians
from dashboards.alert_readings import shown_in
from dashboards.alerts import now_after, silences_of
from dashboards.api.alert_models import details_of
from dashboards.fleet import Fleet
from dashboards.inspection import inspection
from dashboards.judged import judged, with_judged
from dashboards.measures import Measures, PressureUnit, usual_unit
from dashboards.need import fleet_by_need
from dashboards.spark import Spark, spark
from dashboards.words import check_name

log = logging.getLogger(__name__)

SPARK_DAYS = 30
_AT_ONCE_S = 0.1  # a board that takes no longer is made anew for whoever asks first
_REST = 4  # times as long as making a board took, none is made: readers need the processor, too
_LEAST_REST_S = 1.0
_LOOK_AGAIN_S = 60.0  # a silence of an alert may have ended


@dataclass(frozen=True)
class Snapshot:
    """What the store said at one time; nobody changes it afterwards.

    ``readings`` are the newest of each unit and kind, as `dashboards.judged.with_judged` gives them; ``until`` is when
    the first silence of an alert ends, after which it is out of date.
    """

    number: int
    newest: datetime | None
    landed: dict[str, int]
    states: pl.DataFrame
    alerts: pl.DataFrame
    readings: pl.DataFrame
    quality: pl.DataFrame
    silenced: dict[str, datetime]
    until: datetime | None
    usual_unit: PressureUnit
    sparks: dict[tuple[str, str], Spark]
    _fleets: dict[PressureUnit, Fleet] = field(default_factory=dict)

    @cached_property
    def inspection(self) -> pl.DataFrame:
        """What each check says of each unit, as `dashboards.inspection.inspection` gives it."""
        return inspection(self.fleet(Measures()).units, self.readings, self.newest)

    def fleet(self, measures: Measures) -> Fleet:
        """Give every unit, those first that need somebody, with the reason in the reader's unit of pressure."""
        if (found := self._fleets.get(measures.pressure)) is None:
            off = self.readings.filter(pl.col("verdict").is_in(["fail", "watch"])).sort(
                "fleet", "unit", "verdict", "check", "circuit"
            )
            units = fleet_by_need(
                self.states,
                self.alerts,
                off,
                newest=self.newest,
                measures=measures,
                silenced=self.silenced,
                quality=self.quality,
            )
            found = self._fleets[measures.pressure] = Fleet(units, self.newest)
        return found


class Board:
    """Keeps the newest `Snapshot`.

    While it runs, a thread makes a new one after each change, with a rest in between; a small fleet's is also made for
    whoever asks first, so that people see at once what they just did. A big fleet's readers get the last one meanwhile.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._changed = threading.Event()
        self._changed.set()
        self._ending = threading.Event()
        self._making = threading.Lock()
        self._snapshot: Snapshot | None = None
        self._took_s = 0.0
        self._thread: threading.Thread | None = None
        self._told: list[Callable[[int], None]] = []
        store.listen(self._note)

    def start(self) -> None:
        """Make snapshots in a thread of its own from now on."""
        self._thread = threading.Thread(target=self._work, name="board", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, and listen no more."""
        self._ending.set()
        self._changed.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._store.unlisten(self._note)

    def when_new(self, tell: Callable[[int], None]) -> None:
        """Call ``tell`` with the number of each new snapshot, in whatever thread made it."""
        self._told.append(tell)

    def current(self) -> Snapshot:
        """Give the newest snapshot.

        Raises
        ------
        StoreError
            The store can't be read.
        """
        present = self._snapshot
        if present is not None and not self._is_old(present):
            return present
        if present is not None and self._thread is not None and self._took_s > _AT_ONCE_S:
            return present
        return self._make()

    def _note(self, change: Change) -> None:
        if change.what == "results":
            self._changed.set()

    def _is_old(self, snapshot: Snapshot) -> bool:
        return self._changed.is_set() or (snapshot.until is not None and now_after(snapshot.newest) >= snapshot.until)

    def _make(self) -> Snapshot:
        with self._making:
            present = self._snapshot
            if present is not None and not self._is_old(present):  # another thread has just made it
                return present
            self._changed.clear()  # before reading: what is committed from here on makes it old again
            began = time.perf_counter()
            try:
                made = _read(self._store, 1 if present is None else present.number + 1)
            except BaseException:
                self._changed.set()
                raise
            self._took_s = time.perf_counter() - began
            self._snapshot = made
        for tell in self._told:
            tell(made.number)
        return made

    def _work(self) -> None:
        while not self._ending.is_set():
            try:
                self._make()
            except AirwatchError:
                log.exception("the board can't be made; readers get the last one")
            if self._ending.wait(max(_LEAST_REST_S, _REST * self._took_s)):
                return
            self._changed.wait(_LOOK_AGAIN_S)


def _read(store: Store, number: int) -> Snapshot:
    newest = newest_data(store)
    found = alerts(store)
    readings = with_judged(newest_readings(store))
    silenced = silences_of(store, found, now_after(newest))
    return Snapshot(
        number=number,
        newest=newest,
        landed=landing_counts(store),
        states=unit_states(store),
        alerts=found,
        readings=readings,
        quality=newest_days(store),
        silenced=silenced,
        usual_unit=usual_unit(current(store)["rule_set"].unique()),
        until=min(silenced.values(), default=None),
        sparks=_sparks(store, found, readings, newest),
    )


def _sparks(
    store: Store, found: pl.DataFrame, readings: pl.DataFrame, newest: datetime | None
) -> dict[tuple[str, str], Spark]:
    """Give the line of each unit that has a reading or an alert to look at."""
    if newest is None:
        return {}
    wanted = _driving(found, readings)
    daily = _by_unit(daily_medians(store, wanted, newest - timedelta(days=SPARK_DAYS)))
    sparks = {}
    for row in daily.iter_rows(named=True):
        days = list(zip(row["day"], row["judged"], strict=True))
        text = f"{check_name(row['check'])}, median of each day, {row['day'][0]:%d %b} to {row['day'][-1]:%d %b}"
        edges = [edge for edge in (row["limit_low"], row["limit_high"]) if edge is not None]
        if (line := spark(days, edges=edges, days=SPARK_DAYS, until=newest.date(), text=text)) is not None:
            sparks[row["fleet"], row["unit"]] = line
    return sparks


def _by_unit(daily: pl.DataFrame) -> pl.DataFrame:
    """Give one row a unit: days, their values as judged, and the newest day's edges."""
    blank = {"lower": pl.lit(None, pl.Float64), "upper": pl.lit(None, pl.Float64)}
    return (
        judged(daily.with_columns(**blank))
        .group_by("fleet", "unit", "check", maintain_order=True)
        .agg("day", "judged", pl.col("limit_low", "limit_high").last())
    )


def _driving(found: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Give the readings that put a unit where it stands: those of its gravest alert, or else its worst newest one."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    worst = readings.filter(pl.col("verdict").is_in(["fail", "watch"])).sort("fleet", "unit", "verdict", "check")
    for row in worst.select(WANTED.keys()).iter_rows(named=True):
        rows.setdefault((row["fleet"], row["unit"]), row)
    graver = found.filter(~pl.col("state").is_in(CLOSED)).sort(
        pl.col("severity").replace_strict({"high": 0, "medium": 1, "low": 2}, return_dtype=pl.Int8),
        -pl.col("confidence"),
        "opened",
    )
    of_alerts: dict[tuple[str, str], dict[str, Any]] = {}
    for row in graver.iter_rows(named=True):
        if (unit := (row["fleet"], row["unit"])) in of_alerts:
            continue
        check, circuit = shown_in(row["fault"], details_of(row))
        if check is not None:
            of_alerts[unit] = dict.fromkeys(WANTED) | {
                "fleet": unit[0], "unit": unit[1], "check": check, "circuit": circuit,
            }  # fmt: skip
    return pl.DataFrame(list((rows | of_alerts).values()), schema=WANTED)
