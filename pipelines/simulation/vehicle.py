"""What a vehicle and a trailer are made of: plain numbers with units, healthy unless a fault changes them."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["tractor", "truck", "bus"]
Circuit = Literal["supply", "primary", "secondary", "trailer"]

# Litres that a chamber swallows, by size: rated full-stroke volume (new-vehicle sizing table, remembered figures).
RATED_CHAMBER_L = {16: 0.754, 20: 0.885, 24: 1.098, 30: 1.458, 36: 2.212}
# An adjusted brake strokes a bit over half of what the chamber could; the rest of the space is dead volume and hose.
STROKE_SHARE = 0.45
DEAD_SHARE = 0.22


@dataclass(frozen=True, slots=True)
class Chambers:
    """The service chambers that one tank feeds."""

    count: int
    size: int
    long_stroke: bool = False

    @property
    def rated_l(self) -> float:
        """Full-stroke volume of all of them, litres."""
        return self.count * RATED_CHAMBER_L[self.size]

    @property
    def stroke_l(self) -> float:
        """Volume that an adjusted brake sweeps, litres."""
        return self.rated_l * STROKE_SHARE

    @property
    def filled_l(self) -> float:
        """Volume at brake pressure during an application, litres."""
        return self.rated_l * (STROKE_SHARE + DEAD_SHARE)


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A power unit's air system.

    Areas are effective areas (discharge coefficient times geometric area) of holes to the atmosphere, mm2; 0.01 mm2 on
    100 L is about 1 kPa/min near 700 kPa gauge. Pressures are gauge kPa.
    """

    name: str
    fleet: str
    kind: Kind
    axles: int
    supply_l: float
    primary_l: float
    secondary_l: float
    rear: Chambers  # fed by the primary tank
    front: Chambers  # fed by the secondary tank
    spring_l: float = 3.6  # spring-brake release volume of the power unit: four chambers of about 0.9 L
    tows: bool = False
    compressor_cc: float = 310.0  # swept volume; road trucks have about 300 to 450 cc
    drive_ratio: float = 1.0  # compressor turns per engine turn, gear driven
    governed_rpm: float = 2000.0
    idle_rpm: float = 700.0
    clearance: float = 0.05
    basic_efficiency: float = 0.68  # calibrated: 85 to 100 psi in 15 to 17 s at governed speed (common practice)
    rated_cut_out_kpa: float = 895.0  # as built, about 130 psi; what the registry says
    cut_out_kpa: float = 895.0  # as it is
    cut_in_kpa: float = 760.0  # about 20 psi below
    warning_kpa: float = 450.0  # about 65 psi, half of cut-out; 0 never warns
    park_pop_kpa: float = 220.0  # the parking valve pops between 20 and 45 psi
    protection_kpa: float = 260.0  # the trailer supply valve closes between 20 and 45 psi
    leak_supply_mm2: float = 0.0005
    leak_primary_mm2: float = 0.0010
    leak_secondary_mm2: float = 0.0008
    leak_released_mm2: float = 0.0003  # parking circuit, only while the spring brakes are released
    leak_applied_mm2: float = 0.0010  # service circuit behind the brake valve, only while applied
    leak_applied_from: Literal["primary", "secondary"] = "primary"
    back_primary_s: float = float("inf")  # time constant at which the check valve lets air back to the supply tank
    back_secondary_s: float = float("inf")
    accessory_l_per_min: float = 3.0  # free air for suspension levelling and seats while driving
    accessory_opens_kpa: float = 480.0  # the pressure protection valve in front of the accessories
    gas_settle_s: float = 40.0  # tank gas to tank wall
    wall_settle_s: float = 1100.0  # tank wall to its surroundings
    supply_warm_k: float = 9.0  # engine bay, exhaust and compressor warmth at the tank, engine running
    service_warm_k: float = 4.0

    @property
    def reservoir_l(self) -> float:
        """All reservoirs of the power unit, litres."""
        return self.supply_l + self.primary_l + self.secondary_l

    @property
    def required_l(self) -> float:
        """Twelve times the rated service chamber volume (49 CFR 571.121 S5.1.2.1), litres."""
        return 12.0 * (self.rear.rated_l + self.front.rated_l)


@dataclass(frozen=True, slots=True)
class Trailer:
    """A trailer's air system; its tank keeps its air behind its own check valve when uncoupled."""

    name: str
    fleet: str
    axles: int = 2
    tank_l: float = 94.0  # at least 8 times the chamber volume
    chambers: Chambers = Chambers(4, 30)
    line_l: float = 1.2  # service line and relay valves, filled at each application
    spring_l: float = 3.6
    leak_mm2: float = 0.0015
    leak_applied_mm2: float = 0.0010
