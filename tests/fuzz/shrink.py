"""Making a failing thing small: parts are left out as long as it still fails."""

import time
from collections.abc import Callable, Sequence
from typing import TypeVar

Part = TypeVar("Part", bound=Sequence[object])


def shrink(whole: Part, fails: Callable[[Part], bool], *, budget_s: float) -> Part:
    """Leave out slices of ``whole``, large ones first, while what is left still fails.

    Parameters
    ----------
    whole : list or bytes
        It fails.
    fails : callable
        Tells whether a shorter one does; it must not raise.
    budget_s : float
        Seconds after which what is found by then is good enough.

    Returns
    -------
    list or bytes
        It fails; if the time was enough, not without any one of its parts.
    """
    deadline = time.monotonic() + budget_s
    size = max(1, len(whole) // 2)
    while len(whole):
        at, is_shorter = 0, False
        while at < len(whole):
            if time.monotonic() > deadline:
                return whole
            rest: Part = whole[:at] + whole[at + size :]  # type: ignore[operator]
            if fails(rest):
                whole, is_shorter = rest, True
            else:
                at += size
        if size == 1 and not is_shorter:
            break
        size = max(1, size // 2) if not is_shorter or size > 1 else 1
    return whole
