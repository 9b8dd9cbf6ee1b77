"""Plain words about a plan and its work orders."""

from dashboards.alert_words import rule_reason
from dashboards.plans import Job, ReadPlan
from dashboards.words import fault_name

STATES = {
    "planned": "planned",
    "in_work": "in work",
    "done": "done",
    "cancelled": "cancelled",
}
CHANGES = {
    "in_work": ("Begin", "The vehicle is in the bay. Plans leave it there."),
    "done": ("Done", "Say what was found and done. Readings since then verify the repair, or reopen the alert."),
    "cancelled": ("Cancel", "It does not take place; say why. The next plan takes up what still asks for work."),
}
"""What may be done to a work order: the word to choose, and what it means."""

HISTORY = {
    "planned": "planned",
    "moved": "moved",
    "in_work": "begun",
    "done": "done",
    "cancelled": "cancelled",
}

_PROVEN_GAP = 0.0005


def job_name(job: Job) -> str:
    """Name a job by its fault, and the trailer where it lies in one."""
    if job.fault is None:
        return "taken back by later readings"
    name = fault_name(job.fault)
    return f"{name} {job.trailer}" if job.trailer and job.fault == "leak_trailer" else name


def why_text(why: str) -> list[str]:
    """Give the reasons of a place, one sentence each, with the faults that they name in words."""
    parts = [part.strip() for part in rule_reason(why).split(";")]
    return [f"{part[:1].upper()}{part[1:]}." for part in (part.rstrip(".") for part in parts) if part]


def left_out_text(why: str) -> str:
    """Say why a job does not fit, with the faults that the text names in words."""
    return f"{rule_reason(why).rstrip('.')}."


def risk_text(plan: ReadPlan) -> str:
    """Say how much risk a plan leaves, and how far it can be from the best one."""
    row = plan.row
    risk = f"Waiting for these places carries a risk of {row['risk']:.2f} crossings"
    what = "1 is the certainty that one unit of low severity crosses its limit on the road, graver ones count more"
    cost = f"with the disturbance it costs {row['cost']:.2f}, and no plan can cost less than {row['bound']:.2f}"
    best = (
        "there is no better plan"
        if plan.gap < _PROVEN_GAP
        else f"a better plan could save at most {100 * plan.gap:.1f} % of that"
    )
    return f"{risk} ({what}); {cost}: {best}."


def state_name(state: str) -> str:
    """Name the state of a work order."""
    return STATES.get(state, state)
