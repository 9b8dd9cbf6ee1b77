"""Measurements by hand: sent, asked back, corrected, and what follows from them."""

from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Depends, Path, Query

from airwatch.errors import HandError
from airwatch.hand.csv_file import parse_entries
from airwatch.hand.frames import ENTRIES
from airwatch.hand.judge import judge_entries
from airwatch.hand.questions import Sifted
from airwatch.store.database import Store
from airwatch.store.hand import rows_of_unit, take_back
from airwatch.store.registry import current as registered_units
from dashboards.access.actor import ActorInput
from dashboards.access.needs import needs
from dashboards.alerts import data_now
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.csv_body import CsvBody, csv_only, csv_text
from dashboards.api.hand_models import (
    Comparison,
    ComparisonList,
    CorrectionSent,
    EntriesSent,
    EntryHistory,
    EntryList,
    EntryVersion,
    Landed,
    Share,
    TakenBack,
    as_asked,
    as_entry,
    as_share,
)
from dashboards.errors import BadRequestError, ConflictError, NotFoundError, as_sentence
from dashboards.hand import comparisons_of, judged_of, share_of
from dashboards.inputs import FleetName, StoreInput, UnitName, require_unit
from pipelines.hand import correct_entry, fleets_of_units, take_entries

Responses = dict[int | str, dict[str, Any]]
EntryId = Annotated[str, Path(max_length=64, description="id of the entry.", examples=["5f0c2a9e77b14d0c8a31"])]
_JSON: Responses = {415: {**PROBLEM, "description": "The body is not application/json."}}
_CONFLICT: Responses = {409: {**PROBLEM, "description": "The entry has been corrected or taken back already."}}
_MOST_NEWLY_READ = 5000

router = APIRouter(tags=["hand measurements"])


@router.get("/units/{fleet}/{unit}/hand/entries", summary="Measurements by hand of one unit")
def entries(store: StoreInput, fleet: FleetName, unit: UnitName) -> EntryList:
    """Give the entries that hold with value, interval and verdict. Corrected ones are in an entry's history."""
    require_unit(store, fleet, unit)
    return EntryList(entries=[as_entry(row) for row in judged_of(store, fleet, unit).iter_rows(named=True)])


@router.post(
    "/units/{fleet}/{unit}/hand/entries",
    summary="Send measurements by hand",
    dependencies=[needs("hand"), Depends(json_only)],
    responses=_JSON,
)
def send(store: StoreInput, by: ActorInput, fleet: FleetName, unit: UnitName, sent: EntriesSent) -> Landed:
    """Store what nothing is asked about, and ask about the rest.

    Sending again is safe: an id lands once. An entry that is asked back is stored when it is sent again with its id
    among `confirmed`, where `may_insist` is true; else it is corrected first.
    """
    frame = pl.DataFrame([entry.row(fleet, unit) for entry in sent.entries], schema=ENTRIES)
    require_unit(store, fleet, unit)
    who = by.caller.name or None
    sifted = take_entries(store.for_writing(fleet), frame, confirmed=sent.confirmed, who=who, now=data_now(store))
    by.note("hand.send", f"{fleet}/{unit}", f"{sifted.accepted.height} entries", who=who)
    return _landed(store, sifted)


@router.get("/units/{fleet}/{unit}/hand/entries/{entry}", summary="One entry and its history")
def history(store: StoreInput, fleet: FleetName, unit: UnitName, entry: EntryId) -> EntryHistory:
    """Give who wrote, corrected or took back an entry, when and why."""
    rows = _rows(store, fleet, unit, entry)
    links = {row["id"]: row["replaces"] for row in rows.iter_rows(named=True)}
    later = {old: new for new, old in links.items() if old is not None}
    first = entry
    while (before := links.get(first)) is not None:
        first = before
    chain = [first]
    while (after := later.get(chain[-1])) is not None:
        chain.append(after)
    by_id = {row["id"]: row for row in rows.iter_rows(named=True)}
    return EntryHistory(versions=[EntryVersion.model_validate(by_id[name]) for name in chain])


@router.post(
    "/units/{fleet}/{unit}/hand/entries/{entry}/corrections",
    summary="Correct an entry",
    dependencies=[needs("hand"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def correct(
    store: StoreInput, by: ActorInput, fleet: FleetName, unit: UnitName, entry: EntryId, sent: CorrectionSent
) -> Landed:
    """Put a measurement in the place of another, which stays in the history. What looks wrong is asked back."""
    _rows(store, fleet, unit, entry)
    frame = pl.DataFrame([sent.entry.row(fleet, unit)], schema=ENTRIES)
    who = by.written_as(sent.who)
    try:
        sifted = correct_entry(
            store.for_writing(fleet),
            entry,
            frame,
            who=who,
            why=sent.why,
            is_confirmed=sent.is_confirmed,
            now=data_now(store),
        )
    except HandError as err:
        raise _refused(store, fleet, unit, entry, err) from err
    return _landed(store, sifted)


@router.post(
    "/units/{fleet}/{unit}/hand/entries/{entry}/taking-back",
    summary="Take an entry back",
    dependencies=[needs("hand"), Depends(json_only)],
    responses={**_JSON, **_CONFLICT},
)
def take(
    store: StoreInput, by: ActorInput, fleet: FleetName, unit: UnitName, entry: EntryId, sent: TakenBack
) -> EntryHistory:
    """Say that an entry should not have been made. It no longer counts and stays in the history."""
    _rows(store, fleet, unit, entry)
    who = by.written_as(sent.who)
    try:
        take_back(store.for_writing(fleet), entry, new_id=sent.id, who=who, why=sent.why)
    except HandError as err:
        raise _refused(store, fleet, unit, entry, err) from err
    return history(store, fleet, unit, entry)


@router.post(
    "/hand/imports",
    summary="Send measurements by hand as CSV",
    dependencies=[needs("hand"), Depends(csv_only)],
    responses={415: {**PROBLEM, "description": "The body is not text/csv."}},
)
def import_csv(
    store: StoreInput,
    by: ActorInput,
    body: CsvBody,
    fleet: Annotated[
        str | None, Query(max_length=64, description="Whose units they are, where a name stands in several fleets.")
    ] = None,
    confirmed: Annotated[
        list[str], Query(max_length=500, description="Ids, as `questions` gives them, that are insisted on.")
    ] = [],  # noqa: B006 FastAPI copies it
) -> Landed:
    """Read a CSV with the header `unit,taken_at,by,item,position,value,measure,finding,note`.

    A field that can't be read refuses the whole file, naming its line; what only looks wrong is asked back by line,
    and the rest lands. Sending the file again lands nothing twice.
    """
    try:
        frame, lines = parse_entries(csv_text(body), fleets_of_units(store, fleet), name="file")
    except HandError as err:
        raise BadRequestError(as_sentence(err)) from err
    if frame.height > _MOST_NEWLY_READ:
        raise BadRequestError(f"The file has {frame.height} entries, more than {_MOST_NEWLY_READ}; send it in parts.")
    if frame.is_empty():
        raise BadRequestError("The file has no entry below its header.")
    writing = [store.for_writing(name) for name in frame["fleet"].unique().to_list()]
    who = by.caller.name or None
    sifted = take_entries(writing[0], frame, confirmed=confirmed, who=who, now=data_now(store))
    by.note("hand.import", f"{sifted.accepted.height} entries", who=who)
    return _landed(store, sifted, lines)


@router.get("/units/{fleet}/{unit}/hand/share", summary="Share of defective brakes")
def share(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    trailer: Annotated[list[str], Query(max_length=4, description="Trailers that run with it.")] = [],  # noqa: B006
) -> Share:
    """Count the defective brakes of a unit, with trailers or alone, by the newest entries of each brake."""
    require_unit(store, fleet, unit)
    found, together = share_of(store, fleet, unit, tuple(trailer))
    if found is None:
        raise NotFoundError(
            f"How many brakes {unit!r} has is not known: the registry has neither chambers nor axles; fill them in."
        )
    return as_share(found, together["unit"].to_list())


@router.get("/units/{fleet}/{unit}/hand/comparisons", summary="Tests by hand beside the stream")
def comparisons(store: StoreInput, fleet: FleetName, unit: UnitName) -> ComparisonList:
    """Hold each test by hand against the stream's reading of that day. A difference is a finding of its own."""
    require_unit(store, fleet, unit)
    rows = comparisons_of(store, fleet, unit).iter_rows(named=True)
    return ComparisonList(comparisons=[Comparison.model_validate(row) for row in rows])


def _landed(store: Store, sifted: Sifted, lines: list[int] | None = None) -> Landed:
    judged = judge_entries(sifted.accepted, registered_units(store))
    return Landed(
        landed=[as_entry(row) for row in judged.iter_rows(named=True)],
        there_already=sifted.repeated["id"].to_list(),
        questions=[as_asked(one, None if lines is None else lines[one.row]) for one in sifted.questions],
    )


def _rows(store: Store, fleet: str, unit: str, entry: str) -> pl.DataFrame:
    rows = rows_of_unit(store, fleet, unit)
    if entry not in rows["id"]:
        raise NotFoundError(f"There is no entry {entry!r} of unit {unit!r} in fleet {fleet!r}.")
    return rows


def _refused(store: Store, fleet: str, unit: str, entry: str, err: HandError) -> BadRequestError | ConflictError:
    rows = rows_of_unit(store, fleet, unit)
    is_over = entry in rows["replaces"] or bool(rows.filter(pl.col("id") == entry)["is_void"].any())
    return (ConflictError if is_over else BadRequestError)(as_sentence(err))
