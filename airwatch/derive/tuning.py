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
    widest_fall_kpa: float
    filling_kpa_s: float
    longest_gap_s: float


class BuildUp(Struct, frozen=True, forbid_unknown_fields=True):
    """Which rises are timed."""

    longest_gap_s: float
    dip_steps: float
    near_kpa: float
    popped_kpa: float
    sag_steps: float
    line_still_kpa: float
    own_l: float
    trailer_l: float
    least_filled: float
    filled_sd_share: float
    guessed_sd_share: float
    idle_leak_share: float
    idle_rpm: float
    speed_sd_share: float
    warming_share: float
    warming_s: float
    spurt: float
    pace_kpa: float
    pace_below_kpa: float
    pace_after_s: float
    pace_behind_steps: float
    pace_uneven: float


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
    longest_gap_s: float
    follows_steps: float
    past_steps: float


class LeakRunning(Struct, frozen=True, forbid_unknown_fields=True):
    """Which stretches between brake uses tell a leak."""

    settle_s: float
    release_s: float
    shortest_s: float
    least_total_s: float
    longest_gap_s: float


class Leak(Struct, frozen=True, forbid_unknown_fields=True):
    """Which holds tell a leak, and what else changes pressure in them."""

    shortest_s: float
    fewest_samples: int
    longest_gap_s: float
    settle_share: float
    settle_least_s: float
    settle_most_s: float
    steady_kpa: float
    steady_share: float
    unsteady_share: float
    unsteady_steps: float
    unsteady_thermal_share: float
    least_kpa: float
    blocks_least: int
    blocks_per_step: float
    blocks_most: int
    gas_tau_s: float
    start_seen_s: float
    gas_stirred_s: float
    stirred_steps: float
    gas_share: float
    gas_sd_share: float
    draw_s: float
    draw_settled_s: float
    draw_tau_doubt: float
    warmth_averaged_s: float
    warmth_noise_steps: float
    warmth_doubt: float
    warmth_least_sd: float
    warmth_wall_share: float
    heat_of_wall: float
    draw_unknown_share: float
    wall_tau_s: float
    wall_tau_doubt: float
    warm_share: float
    warm_sd_share: float
    drift_k_per_h: float
    drift_most_k: float
    known_drift_k_per_h: float
    lag_s: float
    relative_sd: float
    usual_kpa_per_min: float


class Switching(Struct, frozen=True, forbid_unknown_fields=True):
    """How the pressure at which something switched is bounded."""

    longest_gap_s: float
    lag_s: float
    error_steps: float
    fast_s: float
    slow_s: float
    most_per_run: int


class LowAir(Struct, frozen=True, forbid_unknown_fields=True):
    """Which turns of the low-air warning are its point, and when it is missing."""

    moved_steps: float
    moved_step_kpa: float
    highest_kpa: float
    awake_s: float
    missing_kpa: float
    shortest_missing_s: float
    fewest_missing: int
    longest_gap_s: float
    error_steps: float


class Protection(Struct, frozen=True, forbid_unknown_fields=True):
    """Which closings of the trailer supply and the parking valve were their own."""

    highest_kpa: float
    moved_steps: float
    line_drop_kpa: float
    line_left_share: float
    steady_share: float
    open_kpa: float
    shortest_open_s: float
    longest_gap_s: float
    error_steps: float


class Abs(Struct, frozen=True, forbid_unknown_fields=True):
    """How reports of trouble codes and lamps join into episodes."""

    rejoin_s: float
    quiet_days: float
    standing_h: float
    mended_h: float
    fewest_occurrences: int
    lamp_comes_s: float
    lamp_ahead_s: float
    lamp_stays_s: float
    lamp_lit_s: float
    coarse_stamp_s: float
    fine_stamp_s: float


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
    switching: Switching
    low_air: LowAir
    protection: Protection
    abs: Abs
    quality: Quality


@cache
def shipped_tuning() -> Tuning:
    """Give the numbers that come with the program."""
    text = files("airwatch.derive").joinpath("tuning.toml").read_text("utf-8")
    return msgspec.convert(tomllib.loads(text), Tuning)
