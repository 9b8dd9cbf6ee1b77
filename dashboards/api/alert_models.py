"""What the API answers about alerts, and takes as a change to one."""

import logging
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from airwatch.alerts.lifecycle import AlertState
from dashboards.api.times import Utc
from dashboards.api.written import GivenTime, as_stored, has_no_control_characters, is_a_person

log = logging.getLogger(__name__)

Severity = Literal["low", "medium", "high"]
Change = Literal["acknowledged", "planned", "repaired", "dismissed", "reopened", "silenced", "noted"]
"""What people may do to an alert; `airwatch.alerts.lifecycle.ACTIONS`."""

StoredTime = Annotated[Utc, AfterValidator(as_stored)]


class Evidence(BaseModel):
    """Something that was seen, and what it says of one explanation."""

    seen: Annotated[str, Field(description="State, pattern, and in how many holds.")]
    speaks: Annotated[
        float,
        Field(description="Natural logarithm of the odds for (positive) or against it beside the best other one."),
    ]


class Explanation(BaseModel):
    """One way to explain an air loss."""

    fault: Annotated[str, Field(description="A fault, or none: nothing leaks, what was seen was use of air.")]
    circuit: str | None = None
    trailer: str | None = None
    probability: Annotated[float, Field(description="Among the explanations compared, 0 to 1.")]
    says: Annotated[str, Field(description="How it shows.")] = ""
    inspect: Annotated[str, Field(description="What to look at first.")] = ""
    evidence: list[Evidence] = []


class Measured(BaseModel):
    """The figure that shows how large a fault is; a leak at the test pressure of its limit."""

    check: str
    circuit: str | None = None
    judged: float | None = None
    limit: Annotated[float | None, Field(description="null: no limit applies.")] = None
    measure: str = "kPa/min"


class Count(BaseModel):
    """How many of the last readings had to be beyond the limit."""

    of_last: int
    at_least: int


class RateChange(BaseModel):
    """How the rate changed over the days; rates in kPa/min at 690 kPa."""

    kind: Annotated[
        Literal["none", "step", "ramp", "unclear"], Field(description="unclear: the days do not tell which.")
    ]
    first_day: Annotated[date | None, Field(description="The last day before a step, or the day a ramp began.")] = None
    last_day: Annotated[date | None, Field(description="The first day after it.")] = None
    before: float
    after: float


class AlertDetails(BaseModel):
    """Why an alert stands. Air losses have `explanations`, other faults `inspect`, `reason` and `rule`."""

    explanations: Annotated[list[Explanation], Field(description="The likeliest first.")] = []
    beyond_since: Annotated[
        StoredTime | None, Field(description="Since when the limit is crossed in measured fact; null: it is not.")
    ] = None
    change: Annotated[RateChange | None, Field(description="Air losses only.")] = None
    measured: Measured | None = None
    inspect: Annotated[str | None, Field(description="What to look at first, where no explanation says it.")] = None
    reason: Annotated[str | None, Field(description="Why the rule is as it is.")] = None
    rule: Count | None = None


class Alert(BaseModel):
    """One alert."""

    id: str
    fleet: str
    unit: str
    trailer: str | None
    fault: str
    circuit: str | None
    severity: Severity
    confidence: Annotated[
        float,
        Field(
            description="0 to 1: the probability of the likeliest explanation, or the share of the readings looked at"
            " that are beyond the limit."
        ),
    ]
    opened: Annotated[Utc, Field(description="Data time of the evidence.")]
    updated: Annotated[Utc, Field(description="Data time of the newest reading looked at.")]
    crossing_early: Annotated[
        Utc | None, Field(description="The limit is crossed between early and late with 80 % probability.")
    ]
    crossing_likely: Annotated[
        Utc | None, Field(description="When the trend crosses the limit (median); null: none leads there.")
    ]
    crossing_late: Annotated[Utc | None, Field(description="null: no latest time can be given.")]
    state: AlertState
    silenced_until: Annotated[Utc | None, Field(description="End of a silence that holds now; null: none does.")]
    summary: str
    details: Annotated[AlertDetails | None, Field(description="null: none are stored.")]


class HistoryEntry(BaseModel):
    """One change of an alert; entries are added and never altered."""

    at: Annotated[Utc, Field(description="Data time from which it holds: when a repair was done, say.")]
    recorded: Annotated[Utc, Field(description="When it was written down.")]
    who: Annotated[str, Field(description="airwatch where readings made the change.")]
    change: str
    state: Annotated[str, Field(description="The state that it led to.")]
    reason: str
    until: Annotated[Utc | None, Field(description="End of a silence.")]
    severity: Severity
    fault: str


class AlertDetail(Alert):
    """One alert with its history."""

    history: Annotated[list[HistoryEntry], Field(description="In the order in which it was written down.")]
    may: Annotated[list[Change], Field(description="Changes that can be made from this state.")]


class ChangeAsked(BaseModel):
    """A change that somebody asks for."""

    model_config = ConfigDict(extra="forbid")

    change: Annotated[Change, Field(description="What somebody did; which can be made now is in the alert's `may`.")]
    who: Annotated[
        Annotated[str, Field(max_length=100), AfterValidator(has_no_control_characters), AfterValidator(is_a_person)]
        | None,
        Field(
            description="Who makes it, where there are no accounts. Otherwise it is the account that asks.",
            examples=["R. Okafor, ridge shop"],
        ),
    ] = None
    reason: Annotated[
        str,
        Field(max_length=2000, description="What was found or done; only acknowledged can do without."),
        AfterValidator(has_no_control_characters),
    ] = ""
    at: Annotated[
        GivenTime | None,
        Field(
            description="From when it holds, RFC 3339 (when a repair was done, say). By default now, or the newest data"
            " time where the data are ahead of the clock. A repair ends what older readings say."
        ),
    ] = None
    until: Annotated[GivenTime | None, Field(description="End of a silence, RFC 3339; needed for one.")] = None


def details_of(alert: Mapping[str, object]) -> AlertDetails | None:
    """Read the details of a row of alerts; None where there are none, or none that can be read."""
    stored = alert["details"]
    if not isinstance(stored, str):
        return None
    try:
        return AlertDetails.model_validate_json(stored)
    except ValidationError:
        log.warning("alert %s: its details can't be read; derive anew (airwatch derive --all)", alert["id"])
        return None
