"""Accounts and the audit trail, for who administers."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import ROLES, Role, shipped_permissions
from airwatch.access.settings import shipped_settings
from airwatch.store.access.accounts import accounts
from airwatch.store.access.audit import count_trail, trail
from airwatch.store.access.tokens import tokens
from dashboards.access.access import access_of
from dashboards.access.needs import CallerInput, needs
from dashboards.errors import as_sentence
from dashboards.inputs import PageNumber
from dashboards.templating import render
from pipelines.accounts import add_account, change_password, change_rights, let_in, revoke_token, shut_out

ROWS = 100
Given = Annotated[str, Form(max_length=2000)]

router = APIRouter(include_in_schema=False)
_accounts = APIRouter(dependencies=[needs("accounts")])
_audit = APIRouter(dependencies=[needs("audit")])


@_accounts.get("/accounts")
def accounts_page(request: Request) -> HTMLResponse:
    """List the accounts."""
    return _page(request)


@_accounts.post("/accounts")
def add(
    request: Request,
    caller: CallerInput,
    name: Given,
    role: Annotated[Role, Form()],
    password: Given,
    fleets: Given = "",
    sees: Annotated[Literal["all", "some"], Form()] = "some",
) -> Response:
    """Make an account."""
    access = access_of(request)
    try:
        add_account(
            access.file,
            access.source(request, caller),
            access.clock(),
            name=name,
            role=role,
            fleets=_fleets(sees, fleets),
            password=password,
        )
    except AccessError as err:
        return _page(request, refusal=err, status=422)
    return RedirectResponse("/accounts", 303)


@_accounts.post("/accounts/{name}/rights")
def rights(
    request: Request,
    caller: CallerInput,
    name: str,
    role: Annotated[Role, Form()],
    fleets: Given = "",
    sees: Annotated[Literal["all", "some"], Form()] = "some",
) -> Response:
    """Change role and fleets."""
    access = access_of(request)
    try:
        change_rights(
            access.file,
            access.source(request, caller),
            access.clock(),
            name=name,
            role=role,
            fleets=_fleets(sees, fleets),
        )
    except AccessError as err:
        return _page(request, refusal=err, status=422)
    return RedirectResponse("/accounts", 303)


@_accounts.post("/accounts/{name}/password")
def password(request: Request, caller: CallerInput, name: str, password: Given) -> Response:
    """Set somebody's password anew."""
    access = access_of(request)
    try:
        change_password(access.file, access.source(request, caller), access.clock(), name=name, password=password)
    except AccessError as err:
        return _page(request, refusal=err, status=422)
    return RedirectResponse("/accounts", 303)


@_accounts.post("/accounts/{name}/{change}")
def disable_or_enable(
    request: Request, caller: CallerInput, name: str, change: Literal["disable", "enable"]
) -> Response:
    """Shut an account out, or let it in again."""
    access = access_of(request)
    try:
        (shut_out if change == "disable" else let_in)(
            access.file, access.source(request, caller), access.clock(), name=name
        )
    except AccessError as err:
        return _page(request, refusal=err, status=422)
    return RedirectResponse("/accounts", 303)


@_accounts.post("/tokens/{id_}/revoke")
def revoke(request: Request, caller: CallerInput, id_: str) -> Response:
    """Revoke anybody's token."""
    access = access_of(request)
    revoke_token(access.file, access.source(request, caller), access.clock(), id_=id_, account=None)
    return RedirectResponse("/accounts", 303)


@_audit.get("/audit")
def audit(
    request: Request,
    page: PageNumber = 1,
    who: Annotated[str, Query(max_length=64)] = "",
    action: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    """Show one page of the audit trail."""
    file = access_of(request).file
    total = count_trail(file, who=who, action=action)
    last = max(1, -(-total // ROWS))
    shown = min(page, last)
    rows = trail(file, page=shown, size=ROWS, who=who, action=action)
    return render(request, "audit.html", rows=rows, page=shown, last=last, total=total, who=who, action=action)


def _page(request: Request, *, refusal: AccessError | None = None, status: int = 200) -> HTMLResponse:
    access = access_of(request)
    text = "" if refusal is None else str(refusal)
    return render(
        request,
        "accounts.html",
        status_code=status,
        accounts=accounts(access.file),
        tokens=[token for token in tokens(access.file) if token.is_good(access.clock())],
        roles=ROLES,
        actions=shipped_permissions().action,
        rule=shipped_settings(),
        all_fleets=ALL,
        refusal=as_sentence(text) if text else "",
    )


def _fleets(sees: str, names: str) -> Fleets:
    return ALL if sees == "all" else Fleets.of(names.replace(",", " ").split())


router.include_router(_accounts)
router.include_router(_audit)
