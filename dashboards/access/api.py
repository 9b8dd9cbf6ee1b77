"""The own account and its tokens, accounts and the audit trail over the API."""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from airwatch.access.fleets import Fleets
from airwatch.access.permissions import Role, TokenScope, shipped_permissions
from airwatch.store.access.accounts import accounts as kept_accounts
from airwatch.store.access.audit import count_trail, trail
from airwatch.store.access.tokens import Token, find_token, tokens
from dashboards.access.access import access_of
from dashboards.access.needs import CallerInput, needs
from dashboards.api.times import Utc
from dashboards.inputs import PageNumber, PageSize
from pipelines.accounts import make_token, revoke_token

router = APIRouter(tags=["access"])


class Me(BaseModel):
    """Who asks."""

    name: Annotated[str, Field(description="Empty where anybody on this computer may ask.")]
    role: Role
    via: Annotated[str, Field(description="session, token or open.")]
    scope: Annotated[TokenScope, Field(description="Of the token; admin without one.")]
    fleets: Annotated[list[str] | None, Field(description="null: all fleets.")]
    may: Annotated[list[str], Field(description="Actions of the table of rights.")]
    pressure: Annotated[str | None, Field(description="Unit of pressure that pages are shown in, if chosen.")]
    zone: Annotated[str | None, Field(description="Time zone that pages are shown in, if chosen.")]


class TokenRow(BaseModel):
    """A token; itself it is shown once only, when it is made."""

    id: str
    account: str
    label: str
    scope: TokenScope
    fleets: Annotated[list[str] | None, Field(description="null: all fleets of its account.")]
    made: Utc
    ends: Utc
    revoked: Utc | None
    used: Annotated[Utc | None, Field(description="When it was used last, to the minute.")]
    used_from: str | None


class TokenMade(TokenRow):
    """A token that was just made."""

    token: Annotated[str, Field(description="Keep it: it is shown this once.")]


class TokenAsked(BaseModel):
    """A token that somebody wants."""

    model_config = ConfigDict(extra="forbid")

    label: Annotated[str, Field(max_length=100, description="What uses it.", examples=["nightly export"])]
    scope: Annotated[TokenScope, Field(description="read, write or admin; no wider than what asks.")] = "read"
    fleets: Annotated[
        list[str] | None, Field(max_length=1000, description="Some of the own fleets; null: as what asks.")
    ] = None
    days: Annotated[int | None, Field(ge=1, le=366, description="How long it lasts; 90 where nothing is said.")] = None


class AccountRow(BaseModel):
    """One account."""

    name: str
    role: Role
    fleets: Annotated[list[str] | None, Field(description="null: all fleets.")]
    is_disabled: bool
    issuer: Annotated[str | None, Field(description="The identity provider it signs in at; null: by password here.")]
    made: Utc


class AuditRow(BaseModel):
    """One row of the audit trail."""

    id: int
    at: Utc
    who: str
    via: str
    address: str
    action: str
    what: str
    result: str
    detail: str


class AuditPage(BaseModel):
    """One page of the trail, newest first."""

    page: int
    size: int
    total: int
    rows: list[AuditRow]


@router.get("/me", summary="Who asks", dependencies=[needs("read")])
def me(caller: CallerInput) -> Me:
    """Give account, role, fleets, and what may be done."""
    return Me(
        name=caller.name,
        role=caller.role,
        via=caller.via,
        scope=caller.scope,
        fleets=_names(caller.fleets),
        may=[row.name for row in shipped_permissions().action if caller.may(row.name)],
        pressure=caller.pressure,
        zone=caller.zone,
    )


@router.get("/tokens", summary="Own tokens", dependencies=[needs("own.tokens")])
def own_tokens(request: Request, caller: CallerInput) -> list[TokenRow]:
    """List the tokens of the own account, newest first."""
    return [TokenRow.model_validate(_token(token)) for token in tokens(access_of(request).file, caller.name)]


@router.post("/tokens", summary="Make a token", status_code=201, dependencies=[needs("own.tokens")])
def new_token(request: Request, caller: CallerInput, asked: TokenAsked) -> TokenMade:
    """Make a token of the own account, no wider than what it is asked with."""
    access = access_of(request)
    fleets = caller.fleets if asked.fleets is None else Fleets.of(asked.fleets)
    id_, whole = make_token(
        access.file,
        access.source(request, caller),
        access.clock(),
        caller=caller,
        label=asked.label,
        scope=asked.scope,
        fleets=fleets,
        days=asked.days,
    )
    made = find_token(access.file, id_)
    assert made is not None  # noqa: S101 it was made just now
    return TokenMade(**_token(made), token=whole)


@router.delete("/tokens/{id_}", summary="Revoke a token", status_code=204, dependencies=[needs("own.tokens")])
def end_token(
    request: Request, caller: CallerInput, id_: Annotated[str, Path(max_length=40, description="id of the token.")]
) -> None:
    """Revoke a token of the own account; who administers may revoke anybody's."""
    access = access_of(request)
    whose = None if caller.may("accounts") else caller.name
    revoke_token(access.file, access.source(request, caller), access.clock(), id_=id_, account=whose)


@router.get("/accounts", summary="Accounts", dependencies=[needs("accounts")])
def accounts(request: Request) -> list[AccountRow]:
    """List the accounts by name."""
    return [
        AccountRow(
            name=row.name,
            role=row.role,
            fleets=_names(row.fleets),
            is_disabled=row.is_disabled,
            issuer=row.issuer,
            made=_time(row.made_s),
        )
        for row in kept_accounts(access_of(request).file)
    ]


@router.get("/audit", summary="Audit trail", dependencies=[needs("audit")])
def audit(
    request: Request,
    who: Annotated[str, Query(max_length=64, description="Only what this account did.")] = "",
    action: Annotated[str, Query(max_length=64, description="Only this action.", examples=["sign-in"])] = "",
    page: PageNumber = 1,
    size: PageSize = 100,
) -> AuditPage:
    """Give who did what, when and from where, and what came of it."""
    file = access_of(request).file
    rows = trail(file, page=page, size=size, who=who, action=action)
    return AuditPage(
        page=page,
        size=size,
        total=count_trail(file, who=who, action=action),
        rows=[AuditRow.model_validate({**row, "at": _time(row["at_s"])}) for row in rows],
    )


def _token(token: Token) -> dict[str, Any]:
    return {
        "id": token.id,
        "account": token.account,
        "label": token.label,
        "scope": token.scope,
        "fleets": _names(token.fleets),
        "made": _time(token.made_s),
        "ends": _time(token.ends_s),
        "revoked": None if token.revoked_s is None else _time(token.revoked_s),
        "used": None if token.used_s is None else _time(token.used_s),
        "used_from": token.used_from,
    }


def _names(fleets: Fleets) -> list[str] | None:
    return None if fleets.names is None else sorted(fleets.names)


def _time(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
