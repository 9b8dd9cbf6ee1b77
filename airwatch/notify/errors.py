"""What can be wrong with the file that says who is told."""

from airwatch.errors import AirwatchError


class NotifyError(AirwatchError, ValueError):
    """The notification file can't be used; nobody is told anything by it."""
