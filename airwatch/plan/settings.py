"""What the plan weighs against what, read from `settings.toml`, whose comments give the reasons."""

from functools import cache
from importlib.resources import files

import msgspec
from msgspec import Struct


class BySeverity(Struct, frozen=True, forbid_unknown_fields=True):
    """One figure for each severity."""

    low: float
    medium: float
    high: float


class Risk(Struct, frozen=True, forbid_unknown_fields=True):
    """What waiting costs."""

    weight: BySeverity
    a_day_beyond: float
    mean_days_no_trend: BySeverity
    least_sd_h: float
    given_up_chance: float
    campaign: float
    after_days: float
    unplaced: float


class Disturbance(Struct, frozen=True, forbid_unknown_fields=True):
    """What taking units off the road and changing plans costs."""

    a_visit: float
    called_in_half_day: float
    moved_job: float
    moved_day: float
    adapting: float


class Work(Struct, frozen=True, forbid_unknown_fields=True):
    """What a visit takes besides its jobs, and how large it may get."""

    visit_h: float
    longest_visit_half_days: int
    most_bundled: int


class Solve(Struct, frozen=True, forbid_unknown_fields=True):
    """How long the optimum is looked for."""

    seconds: float
    search_share: float
    bound_share: float
    most_places: int
    gap: float
    seed: int


class PlanSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `settings.toml`."""

    risk: Risk
    disturbance: Disturbance
    work: Work
    solve: Solve


@cache
def shipped_settings() -> PlanSettings:
    """Give the weights that come with the program."""
    return msgspec.toml.decode(files("airwatch.plan").joinpath("settings.toml").read_bytes(), type=PlanSettings)
