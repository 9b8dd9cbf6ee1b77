"""Exceptions of the pages and the API."""

from airwatch.errors import AirwatchError


class PagesError(AirwatchError):
    """The pages can't be served."""


class NotFoundError(AirwatchError):
    """What was asked for is not in the store; the reader gets status 404 and the text."""


class BadRequestError(AirwatchError):
    """What was asked for makes no sense; the reader gets status 422 and the text."""
