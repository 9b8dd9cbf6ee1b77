"""Roles and actions, read from `permissions.toml`."""

from functools import cache
from importlib.resources import files
from typing import Literal, get_args

import msgspec
from msgspec import Struct

from airwatch.access.errors import AccessError

Role = Literal["viewer", "engineer", "shop", "admin"]
ROLES: tuple[Role, ...] = get_args(Role)
TokenScope = Literal["read", "write", "admin"]
TOKEN_SCOPES: tuple[TokenScope, ...] = get_args(TokenScope)
"""From the narrowest to the widest."""

PUBLIC = "public"
"""What anybody may ask for, signed in or not: the sign-in page and what it needs."""


class Action(Struct, frozen=True, forbid_unknown_fields=True):
    """One row: the roles of which one is needed, and the scope that a token needs."""

    name: str
    roles: tuple[Role, ...]
    scope: Literal["read", "write", "admin", "none"]
    says: str


class Open(Struct, frozen=True, forbid_unknown_fields=True):
    """Whose rights anybody on this computer has while there is no account, and as with a token of which scope."""

    roles: tuple[Role, ...]
    scope: TokenScope


class Permissions(Struct, frozen=True, forbid_unknown_fields=True):
    """The table: of each role those whose rights it has, too, and the actions."""

    roles: dict[Role, tuple[Role, ...]]
    open: Open
    action: tuple[Action, ...]

    def with_included(self, *roles: Role) -> frozenset[Role]:
        """Give roles and all whose rights they have."""
        found: set[Role] = set()
        left = list(roles)
        while left:
            role = left.pop()
            if role not in found:
                found.add(role)
                left.extend(self.roles[role])
        return frozenset(found)

    def named(self, action: str) -> Action:
        """Give the row of an action.

        Raises
        ------
        AccessError
            The table has no such action.
        """
        for row in self.action:
            if row.name == action:
                return row
        raise AccessError(f"permissions.toml has no action {action!r}; add a row that says who may do it")


def parse_permissions(text: str) -> Permissions:
    """Read a table; what is missing, unknown or there twice is an error.

    Raises
    ------
    AccessError
        The table can't be used.
    """
    try:
        table = msgspec.toml.decode(text, type=Permissions)
    except msgspec.DecodeError as err:
        raise AccessError(f"permissions.toml: {err}; correct the table") from err
    names = [row.name for row in table.action]
    if table.roles.keys() != set(ROLES) or len(set(names)) < len(names) or PUBLIC in names:
        raise AccessError(f"permissions.toml: each role of {ROLES} once, each action once, none called {PUBLIC!r}")
    for row in table.action:
        if not row.roles:
            raise AccessError(f"permissions.toml: action {row.name!r} names no role, so nobody could do it")
    return table


@cache
def shipped_permissions() -> Permissions:
    """Read the table that comes with the program, once."""
    return parse_permissions(files("airwatch.access").joinpath("permissions.toml").read_text("utf-8"))
