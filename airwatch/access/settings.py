"""Numbers of accounts and sign-in, read from `settings.toml`, whose comments give their reasons."""

from functools import cache
from importlib.resources import files

import msgspec
from msgspec import Struct


class Password(Struct, frozen=True, forbid_unknown_fields=True):
    """What a password must be like."""

    fewest_characters: int
    most_characters: int
    fewest_different: int


class Argon2(Struct, frozen=True, forbid_unknown_fields=True):
    """How a password is hashed; ``at_once`` so many at a time."""

    passes: int
    memory_kib: int
    lanes: int
    tag_bytes: int
    salt_bytes: int
    at_once: int


class Session(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a session lasts, unused and at most."""

    idle_s: float
    longest_s: float
    noted_every_s: float


class Token(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a token lasts, where nothing is said and at most."""

    usual_days: int
    longest_days: int
    noted_every_s: float


class Form(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a form of somebody who has not signed in is good."""

    longest_s: float


class Wait(Struct, frozen=True, forbid_unknown_fields=True):
    """How failed attempts of one kind slow down the next."""

    free: int
    first_s: float
    longest_s: float
    forget_s: float

    def left_s(self, failed: int, since_s: float) -> float:
        """Give how long the next attempt has to wait.

        Parameters
        ----------
        failed : int
            How many failed.
        since_s : float
            Seconds since the last of them; below 0, where a clock was set back, counts as 0.

        Returns
        -------
        float
            Seconds, 0 if it may be made now.
        """
        if failed < self.free or since_s >= self.forget_s:
            return 0.0
        doublings = min(failed - self.free, 60)
        return max(0.0, min(self.longest_s, self.first_s * 2.0**doublings) - max(0.0, since_s))


class Attempts(Struct, frozen=True, forbid_unknown_fields=True):
    """Kinds of counts: of an account from a browser it was signed in from, from others, and of an address."""

    known_device: Wait
    account: Wait
    address: Wait


class AccessSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `settings.toml`."""

    password: Password
    argon2: Argon2
    session: Session
    token: Token
    form: Form
    attempts: Attempts


@cache
def shipped_settings() -> AccessSettings:
    """Read the settings that come with the program, once."""
    text = files("airwatch.access").joinpath("settings.toml").read_text("utf-8")
    return msgspec.toml.decode(text, type=AccessSettings)
