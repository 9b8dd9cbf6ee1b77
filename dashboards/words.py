"""Plain words for what the store names in lower snake case."""

from datetime import datetime, timedelta

CHECKS = {
    "build_up_time": "Build-up, 85 to 100 psi",
    "build_up_span": "Build-up, another span",
    "governor_cut_out": "Governor cut-out",
    "governor_cut_in": "Governor cut-in",
    "governor_differential": "Governor, cut-out less cut-in",
    "governor_cycles": "Governor cycles",
    "compressor_duty": "Compressor duty",
    "compressor_duty_cycling": "Compressor duty, by governor cycles",
    "compressor_duty_per_application": "Compressor time per brake application",
    "leak_static": "Leak, parked",
    "leak_released": "Leak, parking brake released",
    "leak_applied": "Leak, brakes applied",
    "leak_running": "Leak, engine running",
    "supply_drop": "Supply tank falls by itself",
    "low_air_warning": "Low-air warning comes on",
    "low_air_warning_off": "Low-air warning goes off",
    "protection_valve": "Protection valve closes",
    "application_drop": "Pressure used by one application",
    "abs_self_check": "ABS lamp check at key-on",
    "abs_lamp": "ABS lamp on",
    "abs_fault": "ABS trouble codes",
}
FAULTS = {
    "leak_supply": "Leak, supply tank",
    "leak_primary": "Leak, primary tank",
    "leak_secondary": "Leak, secondary tank",
    "leak_trailer": "Leak, trailer",
    "leak_applied": "Leak, brakes applied",
    "leak_released": "Leak, parking brake released",
    "compressor_weak": "Compressor weak",
    "governor_cut_out_high": "Governor cuts out high",
    "governor_cut_out_low": "Governor cuts out low",
    "governor_short_cycling": "Governor cut-in and cut-out too close",
    "supply_backflow": "Air flows back to the supply tank",
    "low_air_warning_low": "Low-air warning late",
    "low_air_warning_missing": "Low-air warning missing",
    "protection_valve_low": "Protection valve closes late",
    "abs_active": "ABS code active",
    "abs_intermittent": "ABS code comes and goes",
    "abs_lamp": "ABS lamp",
}
VERDICTS = {"pass": "within limit", "watch": "watch", "fail": "beyond limit", "unknown": "can't say"}
"""`pass` is never shown as such: a reading within its limit clears nothing."""

BREACHES = {"fail": "beyond limit", "watch": "watch", "cited": "only shown, judges nothing"}
"""What a limit says of a reading beyond it."""

RULE_SETS = {
    "us": "United States",
    "un_r13": "UN Regulation 13",
    "ca_on": "Ontario",
    "ca_qc": "Quebec",
    "ca_bc": "British Columbia",
    "nz": "New Zealand",
    "au_wa": "Western Australia",
    "eaeu": "Eurasian Economic Union",
    "any": "Every rule set",
}

STATUS = {
    "read": "text read",
    "part": "read in part or in a copy",
    "memory": "not confirmed",
    "common practice": "common practice, no source",
}
"""How well the source of a limit is known."""

CAUTIONS = (
    "A reading finds work; it never clears a vehicle.",
    "Chock the wheels and drain stored air before anyone works on brakes.",
    "Qualified inspectors and local rules decide.",
)


def check_name(check: str) -> str:
    """Name a check."""
    return CHECKS.get(check, _plain(check))


def fault_name(fault: str) -> str:
    """Name a fault."""
    return FAULTS.get(fault, _plain(fault))


def verdict_name(verdict: str) -> str:
    """Name a verdict."""
    return VERDICTS.get(verdict, _plain(verdict))


def breach_name(breach: str) -> str:
    """Name what a limit says of a reading beyond it."""
    return BREACHES.get(breach, _plain(breach))


def rule_set_name(rule_set: str) -> str:
    """Name a rule set."""
    return RULE_SETS.get(rule_set, rule_set)


def _plain(name: str) -> str:
    return name.replace("_", " ").capitalize()


def stamp(t: datetime | None) -> str:
    """Write a time of the store (UTC without a zone) to the minute; a dash where there is none."""
    return "\N{EN DASH}" if t is None else f"{t:%Y-%m-%d %H:%M}"


def span(length: timedelta) -> str:
    """Write a length of time in its one fitting unit."""
    seconds = max(0.0, length.total_seconds())
    for size, one, many in ((86400, "day", "days"), (3600, "hour", "hours"), (60, "minute", "minutes")):
        if seconds >= 2 * size or (size == 60 and seconds >= size):  # noqa: PLR2004 seconds in a minute
            count = int(seconds // size)
            return f"{count} {one if count == 1 else many}"
    return "less than a minute"
