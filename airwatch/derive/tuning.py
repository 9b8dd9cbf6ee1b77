"""The derivations' own numbers, read from `tuning.toml`, whose comments give their reasons."""

import tomllib
from functools import cache
from importlib.resources import files

import msgspec
from msgspec import Struct


class Phases(Struct, frozen=True, forbid_unknown_fields=True):
    """When the engine runs, the unit moves, the brake is applied."""

    running_rpm: float
    moving_kph: float
    applied_kpa: float
    idle_rpm: float
    governed_share: float
    charged_kpa: float
    longest_gap_s: float


class Runs(Struct, frozen=True, forbid_unknown_fields=True):
    """Where one run ends and the next begins."""

    stall_s: float
    silence_h: float
    longest_h: float


class Pressure(Struct, frozen=True, forbid_unknown_fields=True):
    """The pressure sensors."""

    fallback_step_kpa: float


class Governor(Struct, frozen=True, forbid_unknown_fields=True):
    """Which turns of the pressure are the governor's."""

    prominence_steps: float
    prominence_kpa: float
    unloaded_s: float
    engine_after_s: float
    agree_kpa: float
    cut_in_agree_kpa: float
    check_opening_kpa: float
    rise_steps: float
    slowest_rise_kpa_s: float
    longest_gap_s: float


class BuildUp(Struct, frozen=True, forbid_unknown_fields=True):
    """Which rises are timed."""

    longest_gap_s: float
    dip_steps: float


class Duty(Struct, frozen=True, forbid_unknown_fields=True):
    """Which runs tell a duty."""

    shortest_engine_on_s: float
    fewest_cut_outs: int
    longest_gap_s: float
    rounding_sd_steps: float
    fewest_applications: int


class SupplyDrop(Struct, frozen=True, forbid_unknown_fields=True):
    """Where the fall after a cut-out is measured."""

    shortest_s: float
    longest_s: float
    follows_steps: float


class LeakRunning(Struct, frozen=True, forbid_unknown_fields=True):
    """Which stretches between brake uses tell a leak."""

    settle_s: float
    release_s: float
    shortest_s: float
    least_total_s: float
    longest_gap_s: float


class Leak(Struct, frozen=True, forbid_unknown_fields=True):
    """Which holds tell a leak."""

    settle_s: float
    shortest_s: float
    longest_gap_s: float
    rise_steps: float
    least_kpa: float


class Abs(Struct, frozen=True, forbid_unknown_fields=True):
    """How reports of trouble codes join into episodes."""

    rejoin_s: float


class Quality(Struct, frozen=True, forbid_unknown_fields=True):
    """What is out of the ordinary in how data came in."""

    gap_s: float
    clock_ahead_s: float
    clock_behind_s: float
    null_share: float


class Tuning(Struct, frozen=True, forbid_unknown_fields=True):
    """All of it."""

    phases: Phases
    runs: Runs
    pressure: Pressure
    governor: Governor
    build_up: BuildUp
    duty: Duty
    supply_drop: SupplyDrop
    leak_running: LeakRunning
    leak: Leak
    abs: Abs
    quality: Quality


@cache
def shipped_tuning() -> Tuning:
    """Give the numbers that come with the program."""
    text = files("airwatch.derive").joinpath("tuning.toml").read_text("utf-8")
    return msgspec.convert(tomllib.loads(text), Tuning)
