"""Sentences about readings, shared by pages and API."""

from collections.abc import Mapping

from dashboards.measures import Measures
from dashboards.words import check_name


def reading_text(reading: Mapping[str, object], measures: Measures) -> str:
    """Say what was read and what it should be; ``reading`` as `dashboards.judged.with_judged` gives it."""
    where = f", {reading['circuit']}" if reading["circuit"] else ""
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


def _number(reading: Mapping[str, object], name: str) -> float | None:
    number = reading[name]
    return number if isinstance(number, float) else None
