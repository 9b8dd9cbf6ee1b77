"""The table of rights, against what was agreed."""

import pytest

from airwatch.access.caller import Caller, anybody_here
from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import ROLES, Role, TokenScope, parse_permissions, shipped_permissions
from airwatch.alerts.lifecycle import ACTIONS

# Written out here so that a slip in the table shows: who, and the narrowest token.
MAY: dict[str, tuple[set[str], str]] = {
    "read": ({"viewer", "engineer", "shop", "admin"}, "read"),
    "alert.change": ({"engineer", "shop", "admin"}, "write"),
    "alert.acknowledged": ({"engineer", "admin"}, "write"),
    "alert.dismissed": ({"engineer", "admin"}, "write"),
    "alert.silenced": ({"engineer", "admin"}, "write"),
    "alert.planned": ({"shop", "admin"}, "write"),
    "alert.repaired": ({"shop", "admin"}, "write"),
    "alert.reopened": ({"engineer", "shop", "admin"}, "write"),
    "alert.noted": ({"engineer", "shop", "admin"}, "write"),
    "note": ({"engineer", "shop", "admin"}, "write"),
    "plan": ({"shop", "admin"}, "write"),
    "hand": ({"engineer", "shop", "admin"}, "write"),
    "campaign": ({"engineer", "shop", "admin"}, "write"),
    "own.account": ({"viewer", "engineer", "shop", "admin"}, "none"),
    "own.tokens": ({"viewer", "engineer", "shop", "admin"}, "admin"),
    "accounts": ({"admin"}, "admin"),
    "audit": ({"admin"}, "admin"),
}
WIDTH = {"read": 0, "write": 1, "admin": 2, "none": 3}


def caller(role: Role, scope: TokenScope | None = None) -> Caller:
    roles = shipped_permissions().with_included(role)
    return Caller("x", roles, ALL, "session") if scope is None else Caller("x", roles, ALL, "token", scope)


def test_every_role_may_what_was_agreed_and_no_more() -> None:
    assert {row.name for row in shipped_permissions().action} == MAY.keys()
    for action, (roles, _) in MAY.items():
        assert {role for role in ROLES if caller(role).may(action)} == roles, action


@pytest.mark.parametrize("scope", ["read", "write", "admin"])
def test_a_token_does_no_more_than_its_scope_and_its_account(scope: TokenScope) -> None:
    for action, (roles, narrowest) in MAY.items():
        found = {role for role in ROLES if caller(role, scope).may(action)}
        assert found == (roles if WIDTH[scope] >= WIDTH[narrowest] else set()), action


def test_every_change_of_an_alert_has_a_row() -> None:
    assert {f"alert.{change}" for change in ACTIONS} <= MAY.keys()


def test_whoever_is_here_without_accounts_changes_alerts_and_administers_nothing() -> None:
    here = anybody_here()
    assert here.may("alert.dismissed")
    assert here.may("alert.repaired")
    assert not here.may("accounts")
    assert not here.may("audit")
    assert not here.may("own.tokens")
    assert not here.may("own.account")


def test_an_action_without_a_row_is_an_error_and_never_allowed() -> None:
    with pytest.raises(AccessError, match=r"no action 'fly'; add a row"):
        caller("admin").may("fly")


GOOD = """
[roles]
viewer = []
engineer = ["viewer"]
shop = ["viewer"]
admin = ["engineer", "shop"]
[open]
roles = []
scope = "read"
[[action]]
name = "read"
roles = ["viewer"]
scope = "read"
says = "reads"
"""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (GOOD.replace("shop = [", "shopp = ["), "shopp"),
        (GOOD.replace('shop = ["viewer"]\n', "").replace(', "shop"', ""), "each role of"),
        (GOOD + GOOD[GOOD.index("[[action]]") :], "each action once"),
        (GOOD.replace('name = "read"', 'name = "public"'), "none called 'public'"),
        (GOOD.replace('roles = ["viewer"]', "roles = []"), "names no role"),
        (GOOD.replace("scope =", "scop ="), "scop"),
        (GOOD.replace('scope = "read"\nsays', 'scope = "all"\nsays'), "Invalid enum value 'all'"),
    ],
)
def test_a_slip_in_the_table_stops_the_program(text: str, says: str) -> None:
    parse_permissions(GOOD)
    with pytest.raises(AccessError, match=says):
        parse_permissions(text)


def test_fleets_within_and_in_common() -> None:
    north, both = Fleets.of(["north"]), Fleets.of(["north", "south"])
    assert north.within(both)
    assert not both.within(north)
    assert both.within(ALL)
    assert not ALL.within(both)
    assert both.common(north) == north == ALL.common(north)
    assert Fleets.of(["east"]).common(north).names == frozenset()
    assert not Fleets(frozenset()).has("north")
    assert ALL.has("anything")
    assert (str(ALL), str(both), str(Fleets(frozenset()))) == ("all", "north, south", "none")


@pytest.mark.parametrize("names", [[], ["no rth"], ["a" * 65], ["north", "'; DROP"], ["*"]])
def test_what_no_fleet_can_be_called_is_refused(names: list[str]) -> None:
    with pytest.raises(AccessError, match=r"fleet"):
        Fleets.of(names)
