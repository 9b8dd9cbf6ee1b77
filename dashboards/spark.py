"""The small line beside a unit: the readings that drive its rank, day by day, and the limit's edges."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

WIDTH, HEIGHT = 96.0, 22.0
"""Of the drawing, in its own units."""

_PAD = 2.5  # room for the last point


@dataclass(frozen=True, slots=True)
class Spark:
    """``line`` is a list of points as SVG's polyline takes it; ``edges_y`` where the limit's edges lie, if in sight."""

    line: str
    last_x: float
    last_y: float
    edges_y: tuple[float, ...]
    text: str


def spark(
    points: Sequence[tuple[date, float]], *, edges: Sequence[float], days: int, until: date, text: str
) -> Spark | None:
    """Place daily values on a line that ends at the day ``until`` and is ``days`` long; None without two of them.

    An edge is drawn where it lies within one height of the values: one far away would flatten the line.
    """
    if len(points) < 2:  # noqa: PLR2004 a line has two ends
        return None
    values = [value for _, value in points]
    low, high = min(values), max(values)
    near = [edge for edge in edges if low - (high - low) <= edge <= high + (high - low)]
    low, high = min([low, *near]), max([high, *near])
    scale = (HEIGHT - 2 * _PAD) / (high - low) if high > low else 0.0

    def y(value: float) -> float:
        return round(HEIGHT - _PAD - (value - low) * scale, 1) if scale else HEIGHT / 2

    def x(day: date) -> float:
        return round(_PAD + (WIDTH - 2 * _PAD) * (1 - (until - day).days / days), 1)

    line = " ".join(f"{x(day):g},{y(value):g}" for day, value in points)
    last_day, last = points[-1]
    return Spark(line, x(last_day), y(last), tuple(y(edge) for edge in near), text)
