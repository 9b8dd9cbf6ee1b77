"""Notes of units."""

from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Depends
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from airwatch.errors import StoreError
from airwatch.store.notes import add_note, notes_of
from dashboards.access.actor import ActorInput
from dashboards.access.needs import needs
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.models import Page
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.api.times import Utc
from dashboards.api.written import has_no_control_characters, is_a_person
from dashboards.errors import ConflictError, as_sentence
from dashboards.fleet import cut
from dashboards.inputs import FleetName, PageNumber, PageSize, StoreInput, UnitName, require_unit

router = APIRouter(tags=["units"])


class Note(BaseModel):
    """What somebody wrote of a unit. Nothing is taken away: a correction names the note it takes the place of."""

    note: str
    recorded: Utc
    who: str
    text: str
    corrects: Annotated[str | None, Field(description="The note that this one takes the place of.")]
    corrected_by: Annotated[str | None, Field(description="The note that took the place of this one.")]


class NotePage(Page):
    """Notes in the order in which they were written."""

    notes: list[Note]


def _says_something(text: str) -> str:
    if not text.strip():
        raise ValueError("write something")
    return text.strip()


class NoteAsked(BaseModel):
    """A note that somebody writes."""

    model_config = ConfigDict(extra="forbid")

    who: Annotated[
        Annotated[
            str,
            Field(max_length=100),
            AfterValidator(has_no_control_characters),
            AfterValidator(is_a_person),
            AfterValidator(_says_something),
        ]
        | None,
        Field(
            description="Who writes it, where there are no accounts. Otherwise it is the account that asks.",
            examples=["R. Okafor, ridge shop"],
        ),
    ] = None
    text: Annotated[
        str,
        Field(max_length=2000, description="What others should know of the unit."),
        AfterValidator(has_no_control_characters),
        AfterValidator(_says_something),
    ]
    corrects: Annotated[str | None, Field(max_length=64, description="The note that this one takes the place of.")] = (
        None
    )


@router.get("/units/{fleet}/{unit}/notes", summary="Notes of one unit", responses=TABLE, response_model=NotePage)
def notes(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    form: FormatInput,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> Any:
    """Give the notes of one unit in the order in which they were written, corrected ones too."""
    require_unit(store, fleet, unit)
    part = cut(notes_of(store, fleet, unit), page=page, size=size)
    if form != "json":
        return as_file(part, form, f"{fleet}-{unit}-notes")
    return NotePage(page=page, size=size, total=part.total, notes=_notes(part.rows))


@router.post(
    "/units/{fleet}/{unit}/notes",
    summary="Write a note",
    status_code=201,
    dependencies=[needs("note"), Depends(json_only)],
    responses={
        409: {**PROBLEM, "description": "The note to correct is not there, or is corrected already."},
        415: {**PROBLEM, "description": "The body is not application/json."},
    },
)
def write(store: StoreInput, by: ActorInput, fleet: FleetName, unit: UnitName, asked: NoteAsked) -> Note:
    """Write a note, and give it as it stands. Notes are only added; a wrong one is corrected by another."""
    require_unit(store, fleet, unit)
    try:
        whole = store.for_writing(fleet)
        who = by.written_as(asked.who)
        name = add_note(whole, fleet, unit, who=who, text=asked.text, corrects=asked.corrects)
    except StoreError as err:
        if asked.corrects is None:
            raise
        raise ConflictError(as_sentence(err)) from err
    by.note("note", f"{fleet}/{unit}", asked.text, who=who)
    return _notes(notes_of(store, fleet, unit).filter(note=name))[0]


def _notes(rows: pl.DataFrame) -> list[Note]:
    return [Note.model_validate(row) for row in rows.iter_rows(named=True)]
