"""The small figure beside a reading: its value and interval on a line, with the limit's edges."""

from dataclasses import dataclass

WIDTH = 200.0
"""Of the drawing, in its own units."""

_PAD = 0.08  # of the span, on either side


@dataclass(frozen=True, slots=True)
class Bullet:
    """Places on the line, 0 to `WIDTH`; None: there is no such thing."""

    value_x: float
    lower_x: float
    upper_x: float
    low_edge_x: float | None
    high_edge_x: float | None


def bullet(
    value: float | None,
    lower: float | None,
    upper: float | None,
    *,
    limit_low: float | None,
    limit_high: float | None,
    from_zero: bool,
) -> Bullet | None:
    """Place a reading and its limit on one line; all in the same measure.

    ``from_zero`` lets the line begin at zero, for measures where zero means none of it. None without a value.
    """
    if value is None:
        return None
    ends = [x for x in (value, lower, upper, limit_low, limit_high, 0.0 if from_zero else None) if x is not None]
    least, most = min(ends), max(ends)
    pad = _PAD * (most - least) or 1.0
    begin = least if from_zero and least == 0.0 else least - pad
    scale = WIDTH / (most + pad - begin)

    def place(x: float) -> float:
        return round((x - begin) * scale, 1)

    return Bullet(
        value_x=place(value),
        lower_x=place(value if lower is None else lower),
        upper_x=place(value if upper is None else upper),
        low_edge_x=None if limit_low is None else place(limit_low),
        high_edge_x=None if limit_high is None else place(limit_high),
    )
