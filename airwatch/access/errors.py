"""Exceptions of accounts and sign-in."""

from airwatch.errors import AirwatchError

_IN_SECONDS = 100  # longer waits are told in minutes


class AccessError(AirwatchError, ValueError):
    """An account, token or table of rights can't be used or changed as asked; nothing is changed."""


class WaitError(AccessError):
    """Too many attempts failed; ``wait_s`` seconds from now another one is looked at."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"too many attempts failed; try again in {wait_text(wait_s)}")
        self.wait_s = wait_s


def wait_text(wait_s: float) -> str:
    """Say in words how long to wait, rounded up."""
    seconds = max(1, int(-(-wait_s // 1)))
    if seconds < _IN_SECONDS:
        return f"{seconds} s"
    return f"{-(-seconds // 60)} minutes"
