"""Notes of units."""

from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from airwatch.errors import StoreError
from airwatch.store.database import Store
from airwatch.store.notes import add_note, notes_of
from dashboards.api.alert_models import has_no_control_characters, is_a_person
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.times import Utc
from dashboards.errors import ConflictError
from dashboards.inputs import FleetName, StoreInput, UnitName, require_unit

router = APIRouter(tags=["units"])


class Note(BaseModel):
    """What somebody wrote of a unit. Nothing is taken away: a correction names the note it takes the place of."""

    note: str
    recorded: Utc
    who: str
    text: str
    corrects: Annotated[str | None, Field(description="The note that this one takes the place of.")]
    corrected_by: Annotated[str | None, Field(description="The note that took the place of this one.")]


def _says_something(text: str) -> str:
    if not text.strip():
        raise ValueError("write something")
    return text.strip()


class NoteAsked(BaseModel):
    """A note that somebody writes."""

    model_config = ConfigDict(extra="forbid")

    who: Annotated[
        str,
        Field(max_length=100, description="Who writes it.", examples=["R. Okafor, ridge shop"]),
        AfterValidator(has_no_control_characters),
        AfterValidator(is_a_person),
        AfterValidator(_says_something),
    ]
    text: Annotated[
        str,
        Field(max_length=2000, description="What others should know of the unit."),
        AfterValidator(has_no_control_characters),
        AfterValidator(_says_something),
    ]
    corrects: Annotated[str | None, Field(max_length=64, description="The note that this one takes the place of.")] = (
        None
    )


@router.get("/units/{fleet}/{unit}/notes", summary="Notes of one unit")
def notes(store: StoreInput, fleet: FleetName, unit: UnitName) -> list[Note]:
    """Give the notes of one unit in the order in which they were written, corrected ones too."""
    require_unit(store, fleet, unit)
    return _notes(store, fleet, unit)


@router.post(
    "/units/{fleet}/{unit}/notes",
    summary="Write a note",
    status_code=201,
    dependencies=[Depends(json_only)],
    responses={
        409: {**PROBLEM, "description": "The note to correct is not there, or is corrected already."},
        415: {**PROBLEM, "description": "The body is not application/json."},
    },
)
def write(store: StoreInput, fleet: FleetName, unit: UnitName, asked: NoteAsked) -> Note:
    """Write a note, and give it as it stands. Notes are only added; a wrong one is corrected by another."""
    require_unit(store, fleet, unit)
    try:
        name = add_note(store, fleet, unit, who=asked.who, text=asked.text, corrects=asked.corrects)
    except StoreError as err:
        if asked.corrects is None:
            raise
        says = str(err)
        raise ConflictError(f"{says[:1].upper()}{says[1:]}.") from err
    return next(note for note in _notes(store, fleet, unit) if note.note == name)


def _notes(store: Store, fleet: str, unit: str) -> list[Note]:
    return [Note.model_validate(row) for row in notes_of(store, fleet, unit).iter_rows(named=True)]
