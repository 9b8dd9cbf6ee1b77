"""Exceptions of the pages and the API."""

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
