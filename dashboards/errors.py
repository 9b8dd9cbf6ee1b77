"""Exceptions of the pages and the API, and how one of the program is told there."""

from airwatch.errors import AirwatchError


class PagesError(AirwatchError):
    """The pages can't be served."""


class NotFoundError(AirwatchError):
    """What was asked for is not in the store; the reader gets status 404 and the text."""


class BadRequestError(AirwatchError):
    """What was asked for makes no sense; the reader gets status 422 and the text."""


class ConflictError(AirwatchError):
    """What was asked for does not follow on what is; the reader gets status 409 and the text."""


class BodyError(AirwatchError):
    """The body is of another type than the one that is taken; the reader gets status 415 and the text."""


class SignInError(AirwatchError):
    """Nobody is signed in, or not any more; the reader gets status 401 and the text."""


class ForbiddenError(AirwatchError):
    """Whoever asks may not do this; the reader gets status 403 and the text."""


class NotOpenError(ForbiddenError):
    """The pages are open to this computer only, and whoever asks may be another."""


class TooManyError(AirwatchError):
    """Too many attempts failed; the reader gets status 429, the text, and when to try again."""

    def __init__(self, text: str, wait_s: float) -> None:
        super().__init__(text)
        self.wait_s = wait_s


def as_sentence(text: object) -> str:
    """Write what was wrong, an error or its text, as a sentence that readers get."""
    says = str(text)
    return f"{says[:1].upper()}{says[1:]}{'' if says.endswith('.') else '.'}"
