"""Messages in words that a shop understands. Every one says that a reading never clears a vehicle."""

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from airwatch.notify.frames import Event

CAUTION = (
    "A reading finds work; it never clears a vehicle. Chock the wheels and drain stored air before anyone works on"
    " brakes. Qualified inspectors and local rules decide."
)

FAULTS = {
    "leak_supply": "air leak, supply tank",
    "leak_primary": "air leak, primary tank",
    "leak_secondary": "air leak, secondary tank",
    "leak_trailer": "air leak, trailer",
    "leak_applied": "air leak with the brake held",
    "leak_released": "air leak with the parking brake released",
    "compressor_weak": "compressor fills too slowly",
    "governor_cut_out_high": "governor cuts out too high",
    "governor_cut_out_low": "governor cuts out too low",
    "governor_short_cycling": "governor cut-in and cut-out too close",
    "supply_backflow": "air flows back from the supply tank",
    "low_air_warning_low": "low-air warning comes too late",
    "low_air_warning_missing": "low-air warning does not come",
    "protection_valve_low": "protection valve closes too late",
    "abs_active": "ABS code active",
    "abs_intermittent": "ABS code comes and goes",
    "abs_lamp": "ABS lamp",
}
KINDS = {
    "opened": "new",
    "graver": "worse than before",
    "reopened": "open again",
    "planned": "work is planned",
    "in_work": "work on it has begun",
    "cancelled": "the work planned for it is cancelled",
    "repaired": "repair reported, readings have yet to show that it held",
    "verified": "readings since the repair no longer show the fault",
    "dismissed": "set aside by somebody",
    "withdrawn": "taken back, later data changed the readings",
}
CLOSING = frozenset({"verified", "dismissed", "withdrawn"})
"""Changes after which an alert asks for nothing any more."""


def single(events: Sequence[Event], zone: ZoneInfo) -> tuple[str, str]:
    """Give title and text for changes of one alert, in their order; times are shown in ``zone``."""
    last = events[-1]
    title = f"{_one_line(last.unit)}: {_fault(last)} ({last.severity}, {_kind(last)})"
    lines = [_place(last), "", *(line for event in events for line in _lines(event, zone))]
    return title, _text(lines)


def together(events: Sequence[Event], zone: ZoneInfo, *, is_digest: bool) -> tuple[str, str]:
    """Give title and text for changes of several alerts, in the order of `by_unit`."""
    n_units = len({(event.fleet, event.unit) for event in events})
    gravest = max(events, key=lambda event: event.gravity)
    count = f"{_count(len(events), 'change')} at {_count(n_units, 'unit')}, gravest {gravest.severity}"
    lines: list[str] = []
    for _, group in groupby(events, key=lambda event: (event.fleet, event.unit)):
        of_unit = list(group)
        lines += [_unit(of_unit[0]), *(line for event in of_unit for line in _lines(event, zone)), ""]
    return f"{'Summary: ' if is_digest else ''}{count}", _text(lines[:-1])


def by_unit(events: Sequence[Event]) -> list[Event]:
    """Sort by unit, the unit with the gravest change first; in a unit the gravest alert first, its changes in order."""
    of_unit: dict[tuple[str, str], int] = {}
    of_alert: dict[str, int] = {}
    for event in events:
        unit = (event.fleet, event.unit)
        of_unit[unit] = max(of_unit.get(unit, 0), event.gravity)
        of_alert[event.alert_id] = max(of_alert.get(event.alert_id, 0), event.gravity)

    def key(event: Event) -> tuple[int, str, str, int, str]:
        unit = (event.fleet, event.unit)
        return -of_unit[unit], *unit, -of_alert[event.alert_id], event.alert_id

    return sorted(events, key=key)  # stable, so the changes of an alert stay in order


def stamp(t: datetime, zone: ZoneInfo) -> str:
    """Write an aware time by the clock of a zone, to the minute."""
    return f"{t.astimezone(zone):%Y-%m-%d %H:%M} ({zone.key})"


def _lines(event: Event, zone: ZoneInfo) -> list[str]:
    was = f" (was {event.previous_severity})" if event.kind == "graver" and event.previous_severity else ""
    says = _one_line(event.summary) or _fault(event)
    lines = [f"- {event.severity.upper()}{was}, {_kind(event)}: {says}"]
    if event.trailer and event.trailer not in says:
        lines.append(f"  Trailer {_one_line(event.trailer)}")
    if event.crossing_likely is not None and event.kind not in CLOSING:
        lines.append(f"  By its trend it reaches its limit about {event.crossing_likely:%Y-%m-%d}.")
    lines.append(f"  {stamp(event.at.replace(tzinfo=UTC), zone)}")
    if event.link:
        lines.append(f"  {_one_line(event.link)}")
    return lines


def _text(lines: Sequence[str]) -> str:
    return "\n".join([*lines, "", CAUTION])


def _place(event: Event) -> str:
    return f"{_unit(event)}, {_one_line(event.circuit)} circuit" if event.circuit else _unit(event)


def _unit(event: Event) -> str:
    return f"{_one_line(event.unit)}, fleet {_one_line(event.fleet)}"


def _fault(event: Event) -> str:
    name = FAULTS.get(event.fault, event.fault.replace("_", " "))
    return f"{name} {_one_line(event.trailer)}" if event.fault == "leak_trailer" and event.trailer else name


def _kind(event: Event) -> str:
    return KINDS.get(event.kind, event.kind.replace("_", " "))


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _one_line(text: str | None) -> str:
    """Write text from outside on one line, so that it can make no line or header of its own."""
    return " ".join("".join(c if c.isprintable() else " " for c in text or "").split())
