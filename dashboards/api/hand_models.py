"""What the API takes and answers about measurements by hand."""

from collections.abc import Mapping
from datetime import UTC
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from airwatch.hand.lengths import parse_number
from airwatch.hand.questions import Question
from airwatch.hand.share import DefectiveShare
from dashboards.api.models import Verdict
from dashboards.api.times import Utc
from dashboards.api.typed import ClientId, Long, Short, Who, Why
from dashboards.api.written import GivenTime
from dashboards.hand_words import brake_says, item_says, judged_says, share_says, source_of, typed


def _number(value: object) -> object:
    return parse_number(value) if isinstance(value, str) else value


class Measurement(BaseModel):
    """What was measured or found, as it was typed; nothing of it is converted before it is stored."""

    model_config = ConfigDict(extra="forbid")

    id: ClientId
    taken_at: Annotated[GivenTime, Field(description="When it was measured, RFC 3339.")]
    by: Annotated[Short, Field(description="Who measured.", examples=["Ada"])]
    item: Annotated[Short, Field(description="An item of the table of hand measurements.", examples=["stroke"])]
    position: Annotated[Short | None, Field(description="Wheel end (1L, 2R), coupling, or words.")] = None
    value: Annotated[
        Annotated[float, Field(allow_inf_nan=False)] | None,
        BeforeValidator(_number),
        Field(description="A number, or a text with inch fractions: 1 3/4."),
    ] = None
    measure: Annotated[Short | None, Field(description="The unit that it was read in.", examples=["in"])] = None
    finding: Annotated[Short | None, Field(description="What was found, for items that are not measured.")] = None
    note: Annotated[Long | None, Field(description="Anything else.")] = None

    def row(self, fleet: str, unit: str) -> dict[str, object]:
        """Give it as the store has entries; an empty text is none."""
        said = {name: value if value != "" else None for name, value in self.model_dump().items()}
        t = self.taken_at.astimezone(UTC).replace(tzinfo=None)
        return {**said, "by": self.by.strip(), "fleet": fleet, "unit": unit, "taken_at": t}


class EntriesSent(BaseModel):
    """Measurements of one unit, and which of them are insisted on."""

    model_config = ConfigDict(extra="forbid")

    entries: Annotated[list[Measurement], Field(min_length=1, max_length=500)]
    confirmed: Annotated[
        list[ClientId],
        Field(max_length=500, description="Ids of entries that were asked back and are as they should be."),
    ] = []


class Asked(BaseModel):
    """A question about one field of one entry. Until it is answered the entry is not stored."""

    id: str
    field: str
    asks: str
    may_insist: Annotated[bool, Field(description="Send it again with its id among `confirmed` and it is stored.")]
    would_be: Annotated[list[str], Field(description="What the number would be in other units.")]
    line: Annotated[int | None, Field(description="Of the CSV file.")] = None


class Entry(BaseModel):
    """An entry that holds, judged by the table that it cites."""

    id: str
    fleet: str
    unit: str
    taken_at: Utc
    by: str
    item: str
    item_says: str
    position: str | None
    value: float | None
    measure: str | None
    finding: str | None
    note: str | None
    canonical: Annotated[float | None, Field(description="The value in `canonical_measure`.")]
    lower: Annotated[float | None, Field(description="Lower end of its 95 % interval; likewise upper.")]
    upper: float | None
    canonical_measure: str | None
    limit_low: float | None
    limit_high: float | None
    rule: Annotated[str | None, Field(description="The row of the table that governs it.")]
    source: Annotated[str, Field(description="Where that row stands, and how well its text is known.")]
    verdict: Annotated[Verdict, Field(description="pass: within its limit, which clears nothing.")]
    text: Annotated[str, Field(description="What was typed, in words.")]
    says: Annotated[str, Field(description="The verdict in words.")]


class Landed(BaseModel):
    """What became of entries that were sent."""

    landed: Annotated[list[Entry], Field(description="Stored now.")]
    there_already: Annotated[list[str], Field(description="Ids of those that had landed before, just the same.")]
    questions: list[Asked]


class EntryList(BaseModel):
    """Entries of one unit that hold, oldest measurement first."""

    entries: list[Entry]


class EntryVersion(BaseModel):
    """One row of an entry's history; rows are only added."""

    id: str
    recorded: Utc
    replaces: str | None
    who: str
    reason: Annotated[str | None, Field(description="Why it was corrected; null for the first.")]
    is_void: Annotated[bool, Field(description="It was taken back.")]
    is_confirmed: Annotated[bool, Field(description="It was asked back, and somebody insisted.")]
    taken_at: Utc
    by: str
    item: str
    position: str | None
    value: float | None
    measure: str | None
    finding: str | None
    note: str | None


class EntryHistory(BaseModel):
    """An entry with all that it replaced and all that replaced it, in the order of writing."""

    versions: list[EntryVersion]


class CorrectionSent(BaseModel):
    """A measurement that takes the place of another."""

    model_config = ConfigDict(extra="forbid")

    entry: Measurement
    who: Who
    why: Why
    is_confirmed: Annotated[bool, Field(description="What was asked about it is as it should be.")] = False


class TakenBack(BaseModel):
    """Says that an entry should not have been made."""

    model_config = ConfigDict(extra="forbid")

    id: ClientId
    who: Who
    why: Why


class BrakeCount(BaseModel):
    """How much of a defective brake one wheel end is."""

    unit: str
    position: str
    count: float
    least: float
    most: float
    is_measured: Annotated[bool, Field(description="There is a stroke with a limit.")]
    says: str


class Share(BaseModel):
    """The share of defective brakes. It finds work; it clears nothing. Out of service is what an inspector says."""

    units: list[str]
    n_brakes: int
    n_measured: Annotated[int, Field(description="Brakes whose stroke is known.")]
    count: Annotated[float, Field(description="Defective brakes as read; a half is half a brake.")]
    least: Annotated[float, Field(description="The least that intervals allow; likewise the most.")]
    most: float
    share: Annotated[float, Field(description="count / n_brakes.")]
    verdict: Literal["pass", "fail", "unknown"]
    says: str
    steer: Annotated[list[str], Field(description="Defective brakes on a steering axle; stricter rules hold there.")]
    brakes: list[BrakeCount]


class Comparison(BaseModel):
    """A test by hand beside the stream's reading of that day."""

    id: str
    check: str
    taken_at: Utc
    by: str
    hand: float | None
    hand_lower: float | None
    hand_upper: float | None
    stream: float | None
    stream_lower: float | None
    stream_upper: float | None
    stream_at: Utc | None
    measure: str | None
    difference: Annotated[float | None, Field(description="Hand less stream.")]
    allowed: Annotated[float | None, Field(description="What both intervals allow.")]
    outcome: Literal["agree", "differ", "unknown"]
    likely: Annotated[Literal["gauge", "sensor", "test"] | None, Field(description="What a difference points to.")]
    says: str
    for_gauge: Annotated[list[str], Field(description="What speaks for the gauge; likewise the next two.")]
    for_sensor: list[str]
    for_test: list[str]


class ComparisonList(BaseModel):
    """Tests by hand beside the stream, newest first."""

    comparisons: list[Comparison]


def as_entry(row: Mapping[str, Any]) -> Entry:
    """Make an entry of a judged row."""
    words = {
        "item_says": item_says(row["item"]),
        "source": source_of(row["rule"]),
        "text": typed(row),
        "says": judged_says(row),
    }
    return Entry.model_validate({**row, **words})


def as_asked(question: Question, line: int | None = None) -> Asked:
    """Make what the API answers of a question."""
    return Asked(
        id=question.id,
        field=question.field,
        asks=question.asks,
        may_insist=question.may_insist,
        would_be=list(question.would_be),
        line=line,
    )


def as_share(share: DefectiveShare, units: list[str]) -> Share:
    """Make what the API answers of a share."""
    brakes = [
        BrakeCount(
            unit=brake.unit,
            position=brake.position,
            count=float(brake.count),
            least=float(brake.least),
            most=float(brake.most),
            is_measured=brake.is_measured,
            says=brake_says(brake),
        )
        for brake in share.brakes
    ]
    return Share(
        units=units,
        n_brakes=share.n_brakes,
        n_measured=share.n_measured,
        count=float(share.count),
        least=float(share.least),
        most=float(share.most),
        share=share.share,
        verdict=share.verdict,
        says=share_says(share),
        steer=list(share.steer),
        brakes=brakes,
    )
