"""Sentences about readings and limits, shared by pages and API."""

from collections.abc import Mapping

from airwatch.limits.table import Limit
from airwatch.limits.units_of_measure import pressure_unit
from dashboards.measures import Measures
from dashboards.words import check_name


def reading_text(reading: Mapping[str, object], measures: Measures) -> str:
    """Say what was read and what it should be; ``reading`` as `dashboards.judged.with_judged` gives it."""
    where = "".join(f", {reading[name]}" for name in ("test", "circuit", "part") if reading[name])
    value = measures.text(_number(reading, "judged"), str(reading["measure"]))
    return f"{check_name(str(reading['check']))}{where}: {value}, {limit_text(reading, measures)}"


def limit_text(reading: Mapping[str, object], measures: Measures) -> str:
    """Say between which edges a reading should lie."""
    low, high, measure = _number(reading, "limit_low"), _number(reading, "limit_high"), str(reading["measure"])
    if low is not None and high is not None:
        return f"limits {measures.number(low, measure)} to {measures.text(high, measure)}"
    if high is not None:
        return f"limit at most {measures.text(high, measure)}"
    if low is not None:
        return f"limit at least {measures.text(low, measure)}"
    return "no limit applies"


def rule_text(limit: Limit, measures: Measures) -> str:
    """Say what a limit asks for, in the reader's unit of measure."""
    row = {"limit_low": limit.canonical(limit.low), "limit_high": limit.canonical(limit.high), "measure": limit.measure}
    if limit.low is None and limit.high is None:
        return "no figure"
    text = limit_text(row, measures).removeprefix("limits ").removeprefix("limit ")
    return f"{text}{_terms(limit, measures)}"


def own_text(limit: Limit) -> str:
    """Say what a limit asks for as its source has it; empty without a figure."""
    edges = [f"{edge:g}" for edge in (limit.low, limit.high) if edge is not None]
    return f"{' to '.join(edges)} {limit.unit}" if edges and limit.unit != "count" else ""


def is_in_own_unit(limit: Limit, measures: Measures) -> bool:
    """Tell whether a limit's source writes in the reader's unit, so that nothing is converted."""
    return limit.unit == measures.unit(limit.measure) or (pressure_unit(limit.unit) is None and limit.unit != "min")


def _terms(limit: Limit, measures: Measures) -> str:
    parts = (
        f" or {100 * limit.share_of_cut_out:g} % of the cut-out, whichever is less" if limit.share_of_cut_out else "",
        f" at {measures.text(limit.test_kpa, 'kPa')}" if limit.test_kpa is not None else "",
        " \N{MULTIPLICATION SIGN} actual / required reservoir volume" if limit.scale else "",
        f" at {limit.at_rpm:g} 1/min" if limit.at_rpm is not None else "",
    )
    return "".join(parts)


def _number(reading: Mapping[str, object], name: str) -> float | None:
    number = reading[name]
    return number if isinstance(number, float) else None
