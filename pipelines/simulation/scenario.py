"""A scenario: which units and trailers there are, how they are worked and seen, and what is wrong with them."""

from dataclasses import dataclass, field
from datetime import datetime

from pipelines.simulation.duty import Duty
from pipelines.simulation.faults import Fault
from pipelines.simulation.vehicle import Trailer, Vehicle
from pipelines.simulation.weather import Climate

MINIMUM_COLUMNS = ("primary_kpa", "secondary_kpa", "engine_rpm", "speed_kph", "park_brake", "service_brake")


@dataclass(frozen=True, slots=True)
class Gateway:
    """What the unit's gateway sends and how well.

    ``step_kpa`` is the sensors' step, ``offsets_kpa`` constant errors of supply, primary, secondary and trailer,
    ``noise_steps`` the standard deviation before rounding. ``dead_zones`` are
    ``(day, hours)`` without uplink, ``swap_day`` the day on which the gateway is replaced and its sequence
    numbers restart.
    """

    columns: tuple[str, ...] = MINIMUM_COLUMNS
    step_kpa: float = 8.0
    noise_steps: float = 0.12
    offsets_kpa: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    rpm_step: float = 10.0
    speed_step_kph: float = 1.0
    block_s: float = 300.0
    fraction_s: float = 0.0  # the gateway's clock ticks this long after the full second
    uses_offsets: bool = False  # t_ms instead of dt_ms
    sleeps: bool = False  # two hours after key-off, then wakes for a minute in each hour
    names_trailer: bool = True
    sends_governor: bool = False
    sends_faults: bool = True
    is_rpm_null_when_off: bool = False
    null_share: float = 0.0002
    duplicate_share: float = 0.0015
    dead_zones: tuple[tuple[float, float], ...] = ()
    swap_day: float | None = None


@dataclass(frozen=True, slots=True)
class Unit:
    """A power unit with all that is known of it; ``trailers`` names what is coupled on each day, None is bobtail."""

    vehicle: Vehicle
    duty: Duty
    gateway: Gateway
    climate: Climate
    trailers: tuple[str | None, ...] = ()
    rule_set: str = "us"
    home_shop: str = ""

    def trailer_on(self, day: int) -> str | None:
        """Name of the trailer coupled on a day."""
        return self.trailers[day] if day < len(self.trailers) else None


@dataclass(frozen=True, slots=True)
class Scenario:
    """All that a simulation needs; equal scenarios give equal messages."""

    start: datetime  # a UTC midnight
    days: int
    seed: int
    units: tuple[Unit, ...]
    trailers: tuple[Trailer, ...] = ()
    faults: tuple[Fault, ...] = ()
    topic_root: str = "air/v1"
    shops: dict[str, str] = field(default_factory=dict)  # trailer name to home shop

    def __post_init__(self) -> None:
        known = {t.name for t in self.trailers}
        for unit in self.units:
            unknown = {name for name in unit.trailers if name is not None} - known
            if unknown:
                raise ValueError(
                    f"unit {unit.vehicle.name!r} couples trailers that the scenario lacks: {sorted(unknown)}"
                )
