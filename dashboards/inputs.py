"""What routes take: the store, the reader's units of measure, a unit, a span of time."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Path, Query, Request
from pydantic import AwareDatetime

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store
from airwatch.store.results import is_known
from airwatch.store.views import Views
from dashboards.access.needs import caller_of
from dashboards.board import Board
from dashboards.boards import Boards
from dashboards.errors import BadRequestError, NotFoundError
from dashboards.histories import Histories
from dashboards.measures import Measures, PressureUnit
from dashboards.reader import UTC_NAME, Reader, reader_of, zone_names


def _store(request: Request) -> Store:
    """Give the store as the caller may see it; there is no other way to one."""
    views: Views = request.app.state.views
    return views.of(caller_of(request).fleets)


def _board(request: Request) -> Board:
    """Give the board of the fleets that the caller sees."""
    boards: Boards = request.app.state.boards
    return boards.of(caller_of(request).fleets)


async def _health(request: Request) -> Health | None:
    """Give how the subscriber does, to who sees all fleets: its counts are of all."""
    health: Health | None = request.app.state.health
    return health if caller_of(request).fleets.are_all else None


async def _measures(
    units: Annotated[PressureUnit, Query(description="Unit of pressures; rates are in it per minute.")] = "kPa",
) -> Measures:
    return Measures(units)


async def _zone(
    zone: Annotated[str, Query(max_length=64, description="Time zone of the times in the figure.")] = UTC_NAME,
) -> Reader:
    if zone not in zone_names():
        raise BadRequestError(f"zone: there is no time zone {zone!r}; give UTC, or a name like America/Denver.")
    return Reader(None, zone)


async def _reader(request: Request) -> Reader:
    return reader_of(request)


StoreInput = Annotated[Store, Depends(_store)]


ReaderInput = Annotated[Reader, Depends(_reader)]
ZoneInput = Annotated[Reader, Depends(_zone)]
BoardInput = Annotated[Board, Depends(_board)]


def _page_measures(request: Request, board: BoardInput) -> Measures:
    """Give the unit that the reader chose, or else the one that the units' rule sets are written in."""
    return Measures(reader_of(request).pressure or board.current().usual_unit)


HealthInput = Annotated[Health | None, Depends(_health)]
MeasuresInput = Annotated[Measures, Depends(_measures)]
PageMeasuresInput = Annotated[Measures, Depends(_page_measures)]

FleetName = Annotated[str, Path(description="Fleet, as in the topic.", examples=["north"])]
UnitName = Annotated[str, Path(description="Unit, as in the topic.", examples=["K-204"])]
PageNumber = Annotated[int, Query(ge=1, le=1_000_000, description="Page, counted from 1.")]
PageSize = Annotated[int, Query(ge=1, le=1000, description="Rows on a page.")]
Words = Annotated[str, Query(max_length=200, description="Words that must all occur in a unit's row.")]
Start = Annotated[AwareDatetime | None, Query(description="From this time on, RFC 3339 with an offset or Z.")]
End = Annotated[AwareDatetime | None, Query(description="Up to this time, RFC 3339 with an offset or Z.")]


def require_unit(store: Store, fleet: str, unit: str) -> None:
    """Check that a unit is registered or has sent something.

    Raises
    ------
    NotFoundError
        It is neither.
    """
    if not is_known(store, fleet, unit):
        raise NotFoundError(
            f"There is no unit {unit!r} in fleet {fleet!r}: it is not registered and nothing came from it."
        )


def _histories(request: Request, store: StoreInput, fleet: FleetName, unit: UnitName) -> Histories:
    """Give the histories, which are of all fleets, to a route for one unit that the caller sees."""
    require_unit(store, fleet, unit)
    histories: Histories = request.app.state.histories
    return histories


HistoriesInput = Annotated[Histories, Depends(_histories)]


def utc(t: datetime) -> datetime:
    """Turn a time with an offset into UTC without a zone, as the store has it.

    Raises
    ------
    BadRequestError
        The time has no place in the calendar.
    """
    try:
        return t.astimezone(UTC).replace(tzinfo=None)
    except OverflowError as err:
        raise BadRequestError(
            f"The time {t} can't be used: it lies outside the calendar once turned into UTC."
        ) from err


def time_span(
    start: datetime | None, end: datetime | None, whole: tuple[datetime, datetime]
) -> tuple[datetime, datetime]:
    """Give the asked span in UTC; where an end is open, that of ``whole``.

    Raises
    ------
    BadRequestError
        ``start`` is not before ``end``.
    """
    first = whole[0] if start is None else utc(start)
    last = whole[1] if end is None else utc(end)
    if first > last or (first == last and start is not None and end is not None):
        spoken = f"{first:%Y-%m-%dT%H:%M:%SZ} and {last:%Y-%m-%dT%H:%M:%SZ}"
        raise BadRequestError(f"start must be before end; got {spoken}, the end not given being that of the samples.")
    return first, last
