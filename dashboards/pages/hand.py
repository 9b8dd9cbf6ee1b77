"""Measurements by hand of one unit: the form for the bay, what they say, and who wrote them."""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from airwatch.hand.chambers import fitted_chambers, row_of
from airwatch.hand.frames import Wheel
from airwatch.hand.lengths import UNITS_OF, inches_text
from airwatch.hand.tables import shipped_tables
from airwatch.readiness.forecast import wheels_of
from airwatch.store.results import unit_of
from dashboards.alerts import data_now
from dashboards.hand import Written, comparisons_of, share_of, trailers_of, written_of_unit
from dashboards.hand_words import (
    GROUPS,
    brake_says,
    finding_says,
    halves,
    interval,
    item_says,
    judged_says,
    position_says,
    share_says,
    source_of,
    typed,
)
from dashboards.inputs import FleetName, ReaderInput, StoreInput, UnitName, require_unit
from dashboards.measures import Measures, usual_unit
from dashboards.templating import render
from dashboards.words import check_name

router = APIRouter()


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form: an item at a place, with what it is measured in or what can be found."""

    item: str
    position: str
    label: str
    beside: str
    units: tuple[str, ...]
    findings: tuple[tuple[str, str], ...]
    place: str


@router.get("/hand/import")
def import_page(request: Request) -> HTMLResponse:
    """Show the form for a CSV of measurements."""
    return render(request, "hand_import.html")


@router.get("/units/{fleet}/{unit}/hand")
def hand(
    request: Request,
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    reader: ReaderInput,
    trailer: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    """Show the form, and what was measured by hand."""
    require_unit(store, fleet, unit)
    registered = unit_of(store, fleet, unit)
    rule_set = None if registered is None else str(registered["rule_set"])
    measures = Measures(reader.pressure or usual_unit([rule_set]))
    share, _ = share_of(store, fleet, unit, (trailer,) if trailer else ())
    return render(
        request,
        "hand.html",
        measures=measures,
        fleet=fleet,
        unit=unit,
        now=data_now(store),
        groups=[(name, heading, _fields(items, registered, measures)) for name, heading, items in GROUPS],
        has_wheels=registered is not None and bool(wheels_of(registered)),
        trailers=trailers_of(store, fleet, unit),
        trailer=trailer,
        share=share,
        share_says="" if share is None else share_says(share),
        count="" if share is None else halves(share.count),
        span="" if share is None else f"{halves(share.least)} to {halves(share.most)}",
        brakes=[]
        if share is None
        else [(one, position_says(one.position), halves(one.count), brake_says(one)) for one in share.brakes],
        comparisons=[
            {**row, "name": check_name(row["check"]), "words": measures.sentence(row["says"])}
            for row in comparisons_of(store, fleet, unit).iter_rows(named=True)
        ],
        entries=[_entry(one) for one in written_of_unit(store, fleet, unit)],
    )


def _fields(items: tuple[str, ...], registered: dict[str, Any] | None, measures: Measures) -> list[Field]:
    tables, fields = shipped_tables(), []
    fitted = fitted_chambers(None if registered is None else registered["chambers"])
    wheels = [] if registered is None else wheels_of(registered)
    by_wheel = [name for name in items if tables.items[name].position == "wheel"]
    for wheel in wheels:
        for name in by_wheel:
            chamber = row_of(fitted.get(wheel), tables)
            beside = fitted[wheel].text if wheel in fitted and name == "stroke" else ""
            if name == "stroke":
                limit = (
                    f"limit {inches_text(chamber.limit_mm)} ({chamber.limit_mm:.4g} mm)"
                    if chamber
                    else "no limit known"
                )
                beside = f"{beside}, {limit}" if beside else limit
            label = f"{wheel}, {position_says(wheel)}" if name == items[0] else item_says(name)
            fields.append(_field(name, wheel, label, beside, measures, place=wheel))
    fields.extend(
        _field(name, "", item_says(name), "", measures, place=tables.items[name].position)
        for name in items
        if tables.items[name].position != "wheel" or not wheels
    )
    return fields


def _field(name: str, position: str, label: str, beside: str, measures: Measures, *, place: str) -> Field:
    tables = shipped_tables()
    item = tables.items[name]
    units = list(UNITS_OF.get(item.dimension, {}))
    first = {"length": "in" if measures.pressure == "psi" else "mm", "pressure": measures.pressure}.get(
        item.dimension, f"{measures.pressure}/min" if item.dimension == "pressure rate" else "s"
    )
    return Field(
        item=name,
        position=position,
        label=label,
        beside=beside,
        units=tuple(sorted(units, key=lambda unit: unit != first)),
        findings=tuple((id_, finding_says(name, id_)) for id_ in tables.findings_of(name)),
        place="wheel" if Wheel.parse(place) else place,
    )


def _entry(one: Written) -> dict[str, Any]:
    row = one.row
    return {
        **row,
        "is_taken_back": one.is_taken_back,
        "name": item_says(row["item"]),
        "where": position_says(row["position"]),
        "typed": typed(row),
        "interval": interval(row),
        "says": judged_says(row),
        "source": source_of(row["rule"]),
        "units": list(UNITS_OF.get(shipped_tables().items[row["item"]].dimension, {})),
        "findings": [(id_, finding_says(row["item"], id_)) for id_ in shipped_tables().findings_of(row["item"])],
        "history": [{**old, "typed": typed(old)} for old in one.history],
    }
