"""Who asks for something, and whether they may."""

from dataclasses import dataclass
from typing import Literal

from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import TOKEN_SCOPES, Role, TokenScope, shipped_permissions


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody with an account, by a session or a token, or anybody on this computer (``name`` is empty).

    ``roles`` are the account's and all that those include; ``session`` is the hash of the session's id, ``token`` the
    token's id, ``until`` when the token ends (seconds since 1970). ``form_key`` is what forms of the session carry.
    """

    name: str
    roles: frozenset[Role]
    fleets: Fleets
    via: Literal["session", "token", "open"]
    scope: TokenScope = "admin"
    session: bytes = b""
    token: str = ""
    until: float | None = None
    form_key: str = ""
    pressure: str | None = None
    zone: str | None = None

    def may(self, action: str) -> bool:
        """Tell whether the caller may do an action of the table.

        Raises
        ------
        AccessError
            The table has no such action.
        """
        row = shipped_permissions().named(action)
        if self.roles.isdisjoint(row.roles):
            return False
        if self.via == "session":
            return True
        return row.scope != "none" and TOKEN_SCOPES.index(self.scope) >= TOKEN_SCOPES.index(row.scope)

    @property
    def role(self) -> Role:
        """The widest role; for people to read."""
        return next(role for role in ("admin", "engineer", "shop", "viewer") if role in self.roles)  # type: ignore[return-value,unused-ignore]


def anybody_here() -> Caller:
    """Give whoever asks from this computer while there is no account."""
    table = shipped_permissions()
    return Caller("", table.with_included(*table.open.roles), ALL, "open", table.open.scope)
