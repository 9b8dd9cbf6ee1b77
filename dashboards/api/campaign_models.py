"""What the API takes and answers about campaigns."""

from collections.abc import Mapping
from datetime import UTC, date
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from airwatch.readiness.score import Scored
from dashboards.api.times import Utc
from dashboards.api.typed import ClientId, Long, Short, Who, Why
from dashboards.api.written import GivenTime

Answer = Literal["ready", "doubtful", "not ready", "unknown"]
Items = Annotated[
    list[Short], Field(min_length=1, max_length=50, description="Focus items.", examples=[["stroke", "hoses"]])
]


class CampaignPlan(BaseModel):
    """What a campaign is about."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[Short, Field(examples=["Spring check week"])]
    first_day: date
    last_day: Annotated[date, Field(description="The forecast is for noon of this day.")]
    items: Items


class CampaignSent(CampaignPlan):
    """A campaign to set up."""

    id: ClientId
    fleet: Short
    who: Who


class CampaignCorrection(CampaignPlan):
    """A campaign as it should have been set up."""

    id: ClientId
    who: Who
    why: Why
    is_called_off: Annotated[bool, Field(description="It does not take place.")] = False


class Campaign(BaseModel):
    """A campaign."""

    campaign: Annotated[str, Field(description="Its id, whatever was corrected since.")]
    name: str
    fleet: str
    first_day: date
    last_day: date
    items: list[str]

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Make it of a row of the store."""
        return cls.model_validate({**row, "items": row["items"].split(";")})


class CampaignList(BaseModel):
    """Campaigns that hold, first day first."""

    campaigns: list[Campaign]


class ForecastRow(BaseModel):
    """The chance that one unit passes one item."""

    unit: str
    item: str
    chance: Annotated[float | None, Field(description="0 to 1; null: unknown, something lacks that it needs.")]
    at_most: Annotated[float, Field(description="What the chance can't be above by what is known.")]
    answer: Answer
    rests_on: str
    lacks: Annotated[str | None, Field(description="What is not known.")]
    risk: Annotated[float, Field(description="Ranks what to look at; no forecast.")]


class Forecast(BaseModel):
    """The newest forecast. It finds work; it clears nothing, and an inspector may judge otherwise."""

    campaign: str
    made_at: Utc
    rows: Annotated[list[ForecastRow], Field(description="By unit, in the order of the items.")]
    look_first: Annotated[list[ForecastRow], Field(description="What to look at before then, greatest risk first.")]


class OutcomeSent(BaseModel):
    """What an inspection said of one item of one unit."""

    model_config = ConfigDict(extra="forbid")

    id: ClientId
    unit: Short
    item: Short
    passed: bool
    seen_at: Annotated[GivenTime, Field(description="When it was inspected, RFC 3339.")]
    note: Long | None = None

    def row(self) -> dict[str, object]:
        """Give it as the store has outcomes."""
        seen_at = self.seen_at.astimezone(UTC).replace(tzinfo=None)
        return {**self.model_dump(), "seen_at": seen_at, "note": self.note or None}


class OutcomesSent(BaseModel):
    """Outcomes to record, all or none."""

    model_config = ConfigDict(extra="forbid")

    who: Who
    outcomes: Annotated[list[OutcomeSent], Field(min_length=1, max_length=5000)]


class OutcomeCorrection(BaseModel):
    """An outcome as it should have been recorded."""

    model_config = ConfigDict(extra="forbid")

    outcome: OutcomeSent
    who: Who
    why: Why
    is_taken_back: Annotated[bool, Field(description="It should not have been recorded at all.")] = False


class Recorded(BaseModel):
    """How many outcomes were new."""

    recorded: int


class Outcome(BaseModel):
    """An outcome as it was written down."""

    id: str
    unit: str
    item: str
    passed: bool
    seen_at: Utc
    note: str | None
    recorded: Utc
    replaces: str | None
    who: str
    reason: str | None
    is_void: bool


class OutcomeList(BaseModel):
    """Outcomes in the order of writing; those that were replaced or taken back only where they are asked for."""

    outcomes: list[Outcome]


class BrierScore(BaseModel):
    """score = reliability - resolution + uncertainty + within."""

    n: int
    score: Annotated[float, Field(description="Mean squared distance of chance and outcome; 0 is best.")]
    reliability: Annotated[float, Field(description="How far chances are from what came true; 0 is best.")]
    resolution: Annotated[float, Field(description="How well they tell cases apart; more is better.")]
    uncertainty: Annotated[float, Field(description="Of who knows only how often units pass.")]
    within: Annotated[float, Field(description="What is lost or won within bins.")]
    skill: Annotated[float | None, Field(description="1 - score / uncertainty; null: all passed or all failed.")]


class ScoreBin(BaseModel):
    """One bin of the reliability diagram."""

    low: float
    high: float
    n: int
    n_passed: int
    mean_chance: float
    share_passed: float
    lower: Annotated[float, Field(description="95 % interval of the share that passed; likewise upper.")]
    upper: float


class Score(BaseModel):
    """How the last forecasts made before each outcome did."""

    brier: Annotated[BrierScore | None, Field(description="null: no outcome had a chance to score.")]
    bins: list[ScoreBin]
    n_unknown: Annotated[int, Field(description="Outcomes whose forecast was 'unknown'; not scored.")]
    n_unknown_passed: int
    n_unforecast: Annotated[int, Field(description="Outcomes with no forecast made before.")]

    @classmethod
    def of(cls, scored: Scored) -> Self:
        """Make it of a score."""
        brier = scored.brier
        return cls(
            brier=None if brier is None else BrierScore.model_validate(brier, from_attributes=True),
            bins=[ScoreBin.model_validate(row) for row in scored.bins.iter_rows(named=True)],
            n_unknown=scored.n_unknown,
            n_unknown_passed=scored.n_unknown_passed,
            n_unforecast=scored.n_unforecast,
        )
