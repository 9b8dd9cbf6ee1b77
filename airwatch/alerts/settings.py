"""The thresholds of alerts, read from `thresholds.toml`, whose comments give their reasons."""

from functools import cache
from importlib.resources import files

import msgspec
from msgspec import Struct

from airwatch.alerts.rules import Rule, check_rules
from airwatch.alerts.signatures import Signature, check_signatures
from airwatch.errors import LimitTableError


class Beyond(Struct, frozen=True, forbid_unknown_fields=True):
    """When air loss beyond a limit is a fact."""

    short_n: int
    short_least: int
    long_n: int
    long_least: int
    long_days: float
    drop_n: int
    drop_least: int


class Approaching(Struct, frozen=True, forbid_unknown_fields=True):
    """When air loss within the limit stays too high."""

    share: float
    n: int
    least: int
    apart_h: float
    within_days: float


class Trend(Struct, frozen=True, forbid_unknown_fields=True):
    """When a figure moves towards its limit."""

    windows_days: tuple[int, ...]
    fewest_days: int
    slope_z: float
    rise_share: float
    level_share: float
    build_up_level_share: float
    horizon_days: float
    slope_doubt: float
    floor_kpa_min: float
    floor_build_up_share: float
    floor_cut_out_kpa: float
    cut_out_rise_share: float
    widest_share: float
    vague_days: int
    sure_days: int
    quantile: float
    largest_sd_kpa_min: float


class Changes(Struct, frozen=True, forbid_unknown_fields=True):
    """Whether a figure changed at once or little by little."""

    fewest_days: int
    clear: float
    told_apart: float


class Patterns(Struct, frozen=True, forbid_unknown_fields=True):
    """Which tanks fell in a hold, and which holds count."""

    shows_kpa_min: float
    shows_sd: float
    applied_shows_kpa_min: float
    running_shows_kpa_min: float
    share: float
    supply_over: float
    largest_sd_kpa_min: float
    disturbed_kpa_min: float
    pumped_kpa_min: float
    drop_kpa_min: float
    fewest_drops: int
    usual_drop_kpa_min: float
    faster: float
    running_usual_primary_kpa_min: float
    running_usual_secondary_kpa_min: float
    before_days: float
    longest_days: float
    a_day: float
    alike: float
    shared_least: float
    shared_odds: float


class Usual(Struct, frozen=True, forbid_unknown_fields=True):
    """What counts as usual for a unit."""

    readings: int
    more_cycles: float


class PeerGroups(Struct, frozen=True, forbid_unknown_fields=True):
    """Which units are alike, and how many of them make a usual."""

    fewest_units: int
    most_units: int
    local_runs: float


class Governor(Struct, frozen=True, forbid_unknown_fields=True):
    """The cut-out beside the registry's rated one."""

    off_rated_kpa: float
    as_rated_kpa: float
    short_kpa: float


class Evidence(Struct, frozen=True, forbid_unknown_fields=True):
    """Which readings count."""

    days: float


class Quiet(Struct, frozen=True, forbid_unknown_fields=True):
    """When a fault counts as no longer seen."""

    readings: int
    days: float


class Told(Struct, frozen=True, forbid_unknown_fields=True):
    """Which other explanations are told of."""

    worth_a_word: float
    worth_a_row: float
    most: int


class Urgency(Struct, frozen=True, forbid_unknown_fields=True):
    """How near a crossing makes an alert graver."""

    high_days: float
    medium_days: float


class ProofNeeded(Struct, frozen=True, forbid_unknown_fields=True):
    """What verifies a repair."""

    readings: int
    hours: float


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `thresholds.toml`."""

    beyond: Beyond
    approaching: Approaching
    trend: Trend
    changes: Changes
    patterns: Patterns
    usual: Usual
    peers: PeerGroups
    governor: Governor
    evidence: Evidence
    quiet: Quiet
    told: Told
    urgency: Urgency
    proof: ProofNeeded
    rule: tuple[Rule, ...]
    signature: tuple[Signature, ...]


def parse_settings(text: str | bytes) -> Settings:
    """Read thresholds, rules and signatures.

    Raises
    ------
    LimitTableError
        An entry is unknown, missing or impossible.
    """
    try:
        settings = msgspec.toml.decode(text, type=Settings)
    except msgspec.DecodeError as err:
        raise LimitTableError(f"alert thresholds: {err}") from err
    check_rules(settings.rule)
    check_signatures(settings.signature)
    return settings


@cache
def shipped_settings() -> Settings:
    """Give the thresholds that come with the program."""
    return parse_settings(files("airwatch.alerts").joinpath("thresholds.toml").read_bytes())
