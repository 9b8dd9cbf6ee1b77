"""What a payload did that no payload may do."""

import traceback
from pathlib import Path


class ViolationError(Exception):
    """A property does not hold. ``kind`` tells one defect from another, ``detail`` says in one line what was seen."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(f"{kind}: {detail}")
        self.kind = kind
        self.detail = detail


def of_exception(doing: str, err: BaseException) -> ViolationError:
    """Make a violation of an exception that came out of the program; its kind says where it was raised."""
    frames = traceback.extract_tb(err.__traceback__)
    inside = [frame for frame in frames if "/airwatch/" in frame.filename] or frames
    where = f"{Path(inside[-1].filename).name}:{inside[-1].lineno}" if inside else "nowhere"
    text = " ".join(str(err).split())
    return ViolationError(f"{doing} raises {type(err).__name__} at {where}", text[:300])


def one_line(text: str) -> bool:
    """Tell whether a text is there and fits on one line."""
    return bool(text.strip()) and len(text.splitlines()) == 1
