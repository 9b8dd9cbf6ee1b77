"""Rules that answer the same question as the one that governs a reading, and answer it otherwise."""

from airwatch.limits.table import ANY, Limit, shipped_limits


def differing(rule: Limit) -> list[Limit]:
    """Give the limits of the same topic, check and coupling that say something else than ``rule`` of the same test.

    Those of its own rule set come first, then common practice, then other jurisdictions; each in the table's order.
    """
    if rule.topic is None:
        return []
    others = [other for other in shipped_limits() if _is_alike(rule, other) and _says(other) != _says(rule)]
    return sorted(others, key=lambda other: (other.rule_set != rule.rule_set, other.rule_set != ANY))


def _is_alike(rule: Limit, other: Limit) -> bool:
    couplings = {rule.coupling, other.coupling}
    return (
        (other.topic, other.check, other.test) == (rule.topic, rule.check, rule.test)
        and other.id != rule.id
        and not set(rule.kinds).isdisjoint(other.kinds)
        and (len(couplings) == 1 or "any" in couplings)
    )


def _says(limit: Limit) -> tuple[object, ...]:
    low, high = (None if edge is None else round(edge, 3) for edge in map(limit.canonical, (limit.low, limit.high)))
    figure = (low, high, limit.test_kpa, limit.at_rpm, limit.share_of_cut_out, limit.scale)
    return (*figure, limit.condition) if low is None and high is None else figure
