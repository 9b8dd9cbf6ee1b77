"""What the reader chose to see: the unit of pressure and the time zone. Kept in cookies; a query says it anew."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import get_args
from zoneinfo import ZoneInfo, available_timezones

from fastapi import Request, Response

from airwatch.access.caller import Caller
from dashboards.measures import PressureUnit

A_YEAR_S = 31_536_000
UTC_NAME = "UTC"


@dataclass(frozen=True, slots=True)
class Reader:
    """``pressure`` is None where the reader chose none, and then the units' rule sets tell."""

    pressure: PressureUnit | None
    zone: str

    def local(self, t: datetime) -> datetime:
        """Give a time of the store (UTC without a zone) as the reader's clocks show it, without a zone."""
        if self.zone == UTC_NAME:
            return t
        return t.replace(tzinfo=UTC).astimezone(ZoneInfo(self.zone)).replace(tzinfo=None)


@cache
def zone_names() -> tuple[str, ...]:
    """Give the time zones that can be chosen: UTC, and then those named by region and place."""
    named = sorted(name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "posix/")))
    return (UTC_NAME, *(name for name in named if not name.startswith(("right/", "SystemV/", "US/"))))


def reader_of(request: Request) -> Reader:
    """Give what the reader asks for now, or chose before; what can't be is as if not chosen."""
    caller: Caller | None = getattr(request.state, "caller", None)
    kept = {} if caller is None else {"units": caller.pressure, "zone": caller.zone}
    asked = {
        name: request.query_params.get(name) or request.cookies.get(name) or kept.get(name)
        for name in ("units", "zone")
    }
    pressure = next((unit for unit in get_args(PressureUnit) if unit == asked["units"]), None)
    zone = asked["zone"]
    return Reader(pressure, zone if zone is not None and zone in zone_names() else UTC_NAME)


def keep_choice(request: Request, response: Response) -> None:
    """Let the browser keep what was chosen in the query of this request."""
    reader = reader_of(request)
    chosen = {"units": reader.pressure, "zone": reader.zone}
    for name, value in chosen.items():
        if value is not None and request.query_params.get(name) == value:
            is_secure = request.url.scheme == "https"
            response.set_cookie(name, value, max_age=A_YEAR_S, samesite="lax", httponly=True, secure=is_secure)
