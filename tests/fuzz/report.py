"""The counts of a run, from each worker and added up."""

import re
from collections import Counter
from typing import Self

import msgspec

_QUOTED, _NUMBER, _PATH = re.compile(r"'[^']*'|`\$[^`]*`"), re.compile(r"-?\d[\d.e+]*"), re.compile(r"\s+")


class Slowest(msgspec.Struct):
    """The payload whose decoding took longest."""

    seconds: float = 0.0
    label: str = ""
    n_bytes: int = 0


class Report(msgspec.Struct):
    """What a worker did; ``verdicts`` counts by label and verdict, ``violations`` by kind."""

    n_payloads: int = 0
    n_compared: int = 0
    n_batches: int = 0
    peak_mb: float = 0.0
    verdicts: dict[str, dict[str, int]] = msgspec.field(default_factory=dict)
    reasons: dict[str, int] = msgspec.field(default_factory=dict)
    violations: dict[str, int] = msgspec.field(default_factory=dict)
    findings: list[str] = msgspec.field(default_factory=list)
    slowest: Slowest = msgspec.field(default_factory=Slowest)

    def count(self, label: str, verdict: str, reason: str | None) -> None:
        """Count one payload."""
        self.n_payloads += 1
        of_label = self.verdicts.setdefault(label, {})
        of_label[verdict] = of_label.get(verdict, 0) + 1
        if reason is not None:
            general = generalised(reason)
            self.reasons[general] = self.reasons.get(general, 0) + 1

    def add(self, other: Self) -> None:
        """Add what another worker did."""
        self.n_payloads += other.n_payloads
        self.n_compared += other.n_compared
        self.n_batches += other.n_batches
        self.peak_mb = max(self.peak_mb, other.peak_mb)
        for label, verdicts in other.verdicts.items():
            self.verdicts[label] = dict(Counter(self.verdicts.get(label, {})) + Counter(verdicts))
        self.reasons = dict(Counter(self.reasons) + Counter(other.reasons))
        self.violations = dict(Counter(self.violations) + Counter(other.violations))
        self.findings += [finding for finding in other.findings if finding not in self.findings]
        if other.slowest.seconds > self.slowest.seconds:
            self.slowest = other.slowest


def generalised(reason: str) -> str:
    """Take out of a reason what is only of its own message, so that reasons of one sort count as one."""
    return _PATH.sub(" ", _NUMBER.sub("N", _QUOTED.sub("'…'", reason)))[:160]
