"""Explanations of an alert in words."""

from dataclasses import dataclass

from dashboards.alert_words import evidence_lines, explanation_name, percent
from dashboards.api.alert_models import Explanation


@dataclass(frozen=True, slots=True)
class ExplanationRow:
    """One explanation in words; what speaks for and against it is text and strength."""

    name: str
    probability: str
    share: float
    says: str
    supports: list[tuple[str, str]]
    opposes: list[tuple[str, str]]


def explanation_row(explanation: Explanation) -> ExplanationRow:
    """Write out one explanation."""
    supports, opposes = evidence_lines(explanation)
    return ExplanationRow(
        name=explanation_name(explanation),
        probability=percent(explanation.probability),
        share=explanation.probability,
        says=explanation.says,
        supports=supports,
        opposes=opposes,
    )
