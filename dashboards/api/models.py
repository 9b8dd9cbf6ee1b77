"""What the API answers with."""

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from dashboards.api.alert_models import Alert
from dashboards.api.times import Utc
from dashboards.data_state import DataState
from dashboards.need import Need

Verdict = Literal["pass", "watch", "fail", "unknown"]


class Problem(BaseModel):
    """Why a request was not answered (RFC 9457)."""

    title: str
    status: int
    detail: Annotated[str, Field(description="One sentence that says what to do about it.")]


class Page(BaseModel):
    """Where a page stands among all of them."""

    page: int
    size: int
    total: Annotated[int, Field(description="Rows on all pages.")]


class UnitRow(BaseModel):
    """One unit and why it stands where it does."""

    fleet: str
    unit: str
    kind: Annotated[str | None, Field(description="null: not in the registry.")]
    home_shop: str | None
    need: Need
    severity: Annotated[Literal["low", "medium", "high"] | None, Field(description="Of the alert that ranks the unit.")]
    reason: str
    since: Utc | None
    data: Annotated[DataState, Field(description="Whether its data come in, and without faults.")]
    data_flags: Annotated[str, Field(description="What is out of the ordinary with its data, ;-joined.")]
    is_silent: Annotated[bool, Field(description="No data for 72 h before the newest data of the fleet.")]
    last_t: Annotated[Utc | None, Field(description="Newest data time.")]
    n_messages: int
    n_alerts: int
    alert: Annotated[str | None, Field(description="id of the alert that ranks the unit.")]
    n_fail: Annotated[int, Field(description="Newest readings with this verdict; likewise the next three.")]
    n_watch: int
    n_unknown: int
    n_pass: int


class UnitPage(Page):
    """Units in order of need."""

    newest: Annotated[Utc | None, Field(description="Newest data time of the fleet.")]
    counts: Annotated[dict[Need, int], Field(description="Units of each need, whatever was searched for.")]
    units: list[UnitRow]


class Registered(BaseModel):
    """What the registry says of a unit."""

    kind: str
    rule_set: str
    axles: int | None
    trailer_towing: bool | None
    home_shop: str | None
    supply_l: float | None
    primary_l: float | None
    secondary_l: float | None
    required_l: float | None
    compressor_cc: float | None
    governed_rpm: float | None
    cut_out_kpa: float | None
    chambers: str | None


class AlertPage(Page):
    """Alerts by unit and fault."""

    alerts: list[Alert]


class Reading(BaseModel):
    """One measured thing and its verdict. A leak rate is at 690 kPa; `judged` is what its limits are for."""

    fleet: str
    unit: str
    trailer: str | None
    circuit: str | None
    check: str
    start: Utc
    end: Utc
    value: float | None
    lower: Annotated[float | None, Field(description="95 % interval, likewise upper.")]
    upper: float | None
    measure: str
    limit_low: float | None
    limit_high: float | None
    rule: Annotated[str | None, Field(description="id in /api/v1/limits")]
    verdict: Verdict
    note: str | None
    test: Annotated[str | None, Field(description="Which of several tests of the check it is.")]
    part: Annotated[str | None, Field(description="The component, a wheel end say.")]
    state: Annotated[str | None, Field(description="What a fault is now: active, intermittent or cleared.")]
    judged: float | None
    judged_lower: float | None
    judged_upper: float | None
    test_kpa: Annotated[
        float | None, Field(description="Pressure that `judged` is referred to; null: judged as it is.")
    ]


class ReadingPage(Page):
    """Readings by time."""

    readings: list[Reading]


class UnitDetail(BaseModel):
    """One unit whole."""

    fleet: str
    unit: str
    registered: Annotated[Registered | None, Field(description="null: not in the registry, defaults are used.")]
    first_t: Utc | None
    last_t: Utc | None
    alerts: list[Alert]
    newest_readings: Annotated[list[Reading], Field(description="The newest of each check, test, circuit and part.")]


class PressureHistory(BaseModel):
    """Columns of equal length, by time."""

    start: Utc
    end: Utc
    n_samples: Annotated[int, Field(description="Samples that the store has between start and end.")]
    is_thinned: Annotated[
        bool, Field(description="Each interval gives its least and its greatest values, not every sample.")
    ]
    t: list[Utc]
    supply_kpa: list[float | None]
    primary_kpa: list[float | None]
    secondary_kpa: list[float | None]
    trailer_kpa: list[float | None]
    engine_rpm: list[float | None]
    speed_kph: list[float | None]


class Figure(BaseModel):
    """A Plotly figure."""

    data: list[dict[str, Any]]
    layout: dict[str, Any]


class PressureFigure(Figure):
    """The same, and how much of the samples it shows."""

    t: Annotated[list[int], Field(description="Times of traces without `x`: ms since 1970 on the zone's clocks.")]
    start: Utc
    end: Utc
    n_samples: int
    is_thinned: bool


class PressureMarks(BaseModel):
    """What is added to the figure of a pressure history."""

    data: list[dict[str, Any]]
    shapes: list[dict[str, Any]]
    has_phases: Annotated[bool, Field(description="false: the span is too long for phases.")]


class LimitRow(BaseModel):
    """One row of the limit table, in its own unit."""

    id: str
    rule_set: str
    check: str
    kinds: list[str]
    coupling: str
    low: float | None
    high: float | None
    unit: str
    test: Annotated[str | None, Field(description="Which test of the check it judges; null: every.")]
    test_pressure: Annotated[float | None, Field(description="Gauge pressure of the rule's leak test.")]
    at_rpm: Annotated[float | None, Field(description="Engine speed of the rule's test, 1/min.")]
    share_of_cut_out: Annotated[
        float | None, Field(description="The low edge is the lower of itself and this share of the cut-out.")
    ]
    scale: str | None
    breach: Annotated[str, Field(description="fail, watch, or cited: the row is shown and judges nothing.")]
    topic: Annotated[str | None, Field(description="Rows of one topic answer the same question.")]
    condition: str
    jurisdiction: str
    source: str | None
    section: str
    status: str


class LimitTable(Page):
    """What units are judged by. Check the current legal text before enforcing any of it."""

    limits: list[LimitRow]


class SubscriberHealth(BaseModel):
    """The subscriber in this process."""

    is_connected: bool
    received: int
    committed: int
    rejected: int
    samples: int
    last_commit: Utc | None
    failure: str | None


class QualityDay(BaseModel):
    """What came in of one unit and stream on one day of data time, UTC."""

    stream: str
    day: date
    n_messages: int
    n_rows: int
    n_repeated: Annotated[int, Field(description="Rows that were there already.")]
    n_conflicting: Annotated[int, Field(description="Samples that were there with another value, which stays.")]
    n_out_of_range: Annotated[int, Field(description="Values that the bus can't carry, now null.")]
    null_share: Annotated[float | None, Field(description="Share of nulls among the values in the columns sent.")]
    first_t: Utc
    last_t: Utc
    n_gaps: Annotated[int, Field(description="Silences longer than ten minutes.")]
    longest_gap_s: float | None
    n_missing: Annotated[int, Field(description="Messages whose numbers are missing between others.")]
    n_restarts: Annotated[int, Field(description="Times that the numbering began anew.")]
    n_out_of_order: int
    lateness_median_s: Annotated[float | None, Field(description="Arrival after the newest time in a message.")]
    lateness_max_s: float | None
    clock_offset_s: Annotated[float | None, Field(description="The unit's clock is ahead by at least this.")]
    flags: Annotated[str, Field(description="What is out of the ordinary, ;-joined.")]


class QualityPage(Page):
    """Days by stream, then by time."""

    days: list[QualityDay]


class RejectRow(BaseModel):
    """A message that was set aside."""

    received: Utc
    topic: str
    reason: str


class RejectPage(Page):
    """Messages set aside, the last first."""

    rejects: list[RejectRow]


class Landing(BaseModel):
    """What came in."""

    messages: int
    rows: int
    repeated: Annotated[int, Field(description="Rows that were there already.")]
    conflicting: Annotated[int, Field(description="Samples that were there with another value, which stays.")]
    out_of_range: Annotated[int, Field(description="Values that the bus can't carry, now null.")]
    rejects: Annotated[int, Field(description="Messages set aside with a reason.")]
    samples: int
    subscriber: Annotated[SubscriberHealth | None, Field(description="null: none runs in this process.")]
