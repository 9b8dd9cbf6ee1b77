"""What a unit is: the registry's truth, what nobody writes down, how its gateway reports, how it is driven.

Pressures are gauge kPa, volumes litres, times seconds, leak rates kPa/min at 690 kPa.
"""

from dataclasses import dataclass

from tests.second_fleet.kinds import Fault

ATM_KPA = 101.325
REFERENCE_KPA = 690.0  # leak rates are given for this pressure
LOW_TEST_KPA, HIGH_TEST_KPA = 586.05, 689.48  # 85 and 100 psi

CHAMBER_L = {16: 0.754, 20: 0.885, 24: 1.098, 30: 1.458}  # rated volumes: 46, 54, 67 and 89 cubic inches
SPRING_L = 1.5  # a spring-brake chamber held off
STROKE_USED = 0.55  # share of the rated volume that an adjusted brake fills


@dataclass(slots=True)
class Gateway:
    """How a unit's pressures become messages. ``offsets`` are kPa for supply, primary, secondary, trailer, pedal."""

    step_kpa: int
    offsets: tuple[float, float, float, float, float]
    noise_kpa: float
    columns: list[str]
    sample_s: int
    block_s: int
    uses_t_ms: bool
    has_null_rpm: bool
    parked: str  # "sleep", "linger" or "all"
    linger_s: int
    trailer_named: bool
    has_governor: bool
    splits_lamps: bool
    null_rate: float
    swap_s: int | None
    silent_s: tuple[int, int] | None


@dataclass(slots=True)
class Habits:
    """How a unit is used. Probabilities are per working day."""

    duty: str  # "highway", "city" or "route"
    start_h: float
    work_s: float
    build_rpm: float
    p_static: float
    p_holds: float
    p_full: float
    leaves_open: bool
    key_off_stops: float
    is_hard_braking: bool
    drain: str  # "", "supply" or "all"
    indoor_k: float
    works_saturday: bool


@dataclass(slots=True)
class Vehicle:
    """A tractor, truck or bus."""

    unit: str
    fleet: str
    kind: str
    home_shop: str
    axles: int
    chambers: str
    supply_l: float
    primary_l: float
    secondary_l: float
    required_l: float
    compressor_cc: int
    governed_rpm: int
    rated_cut_out_kpa: int
    # below: what only this simulation knows
    cut_out_kpa: float
    differential_kpa: float
    build_up_s: float
    idle_rpm: float
    leaks: tuple[float, float, float]
    crack_kpa: tuple[float, float]
    primary_chambers_l: float
    secondary_chambers_l: float
    springs_l: float
    heat_k_per_kpa: float
    heat_tau_s: float
    body_tau_s: float
    running_warmth_k: float
    purge_kpa_l: float
    warning_kpa: float
    park_pop_kpa: float
    trailer_pop_kpa: float
    base_c: tuple[float, ...]
    swing_k: float
    case: str
    gateway: Gateway
    habits: Habits
    fault: Fault | None = None

    @property
    def own_l(self) -> float:
        """All three tanks."""
        return self.supply_l + self.primary_l + self.secondary_l


@dataclass(slots=True)
class Trailer:
    """A trailer with one tank; ``leak`` is that of all tanks together when it is fed, healthy or not."""

    unit: str
    fleet: str
    tank_l: float
    leak: float
    fault: Fault | None = None
