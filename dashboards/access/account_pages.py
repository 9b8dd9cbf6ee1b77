"""The own account: password, what pressures and times are shown in, and tokens."""

from typing import Annotated, get_args
from zoneinfo import available_timezones

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import TOKEN_SCOPES, TokenScope
from airwatch.access.settings import shipped_settings
from airwatch.store.access.accounts import set_preferences
from airwatch.store.access.tokens import tokens
from dashboards.access.access import access_of
from dashboards.access.needs import CallerInput, needs
from dashboards.access.sign_in_pages import check_own_password
from dashboards.errors import BadRequestError, as_sentence
from dashboards.measures import PressureUnit
from dashboards.templating import render
from pipelines.accounts import change_password, make_token, require_account, revoke_token
from pipelines.sign_in import REFUSED

Given = Annotated[str, Form(max_length=2000)]

router = APIRouter(include_in_schema=False, dependencies=[needs("own.account")])


@router.get("/account")
def account(request: Request, caller: CallerInput) -> HTMLResponse:
    """Show the own account."""
    return _page(request, caller)


@router.post("/account/password")
def password(request: Request, caller: CallerInput, old: Given, new: Given, again: Given) -> Response:
    """Change the password; every session ends, this one, too."""
    if new != again:
        return _page(
            request, caller, refusal="The new password was typed in two ways; type the same twice.", status=422
        )
    access = access_of(request)
    try:
        check_own_password(request, caller.name, old)
        change_password(access.file, access.source(request, caller), access.clock(), name=caller.name, password=new)
    except AccessError as err:
        text = "The old password is wrong." if str(err) == REFUSED else as_sentence(err)
        return _page(request, caller, refusal=text, status=422)
    done = RedirectResponse("/sign-in", 303)
    access.cookies.drop(request, done, "session")
    return done


@router.post("/account/display")
def display(request: Request, caller: CallerInput, units: Given = "", zone: Given = "") -> Response:
    """Keep the unit of pressure and the time zone."""
    if units not in ("", *get_args(PressureUnit)):
        raise BadRequestError(f"units: choose one of {', '.join(get_args(PressureUnit))}, or none.")
    if zone and zone not in available_timezones():
        raise BadRequestError("zone: there is no such time zone.")
    access = access_of(request)
    with access.file.writing() as write:
        set_preferences(write, caller.name, units or None, zone or None)
    return RedirectResponse("/account", 303)


@router.post("/account/tokens")
def token(
    request: Request,
    caller: CallerInput,
    label: Given,
    scope: Annotated[TokenScope, Form()] = "read",
    fleets: Given = "",
    days: Annotated[int | None, Form()] = None,
) -> Response:
    """Make a token and show it, this once."""
    access = access_of(request)
    try:
        chosen = Fleets.of(fleets.replace(",", " ").split()) if fleets.strip() else caller.fleets
        _, whole = make_token(
            access.file,
            access.source(request, caller),
            access.clock(),
            caller=caller,
            label=label,
            scope=scope,
            fleets=chosen,
            days=days,
        )
    except AccessError as err:
        return _page(request, caller, refusal=as_sentence(err), status=422)
    return _page(request, caller, made=whole, status=201)


@router.post("/account/tokens/{id_}/revoke")
def revoke(request: Request, caller: CallerInput, id_: str) -> Response:
    """Revoke an own token."""
    access = access_of(request)
    revoke_token(access.file, access.source(request, caller), access.clock(), id_=id_, account=caller.name)
    return RedirectResponse("/account", 303)


def _page(
    request: Request, caller: CallerInput, *, refusal: str = "", made: str = "", status: int = 200
) -> HTMLResponse:
    access = access_of(request)
    own = require_account(access.file, caller.name)
    rule = shipped_settings()
    return render(
        request,
        "account.html",
        status_code=status,
        own=own,
        fleets="all fleets" if own.fleets == ALL else f"fleets {own.fleets}",
        tokens=tokens(access.file, own.name),
        now=access.clock(),
        refusal=refusal,
        made=made,
        scopes=TOKEN_SCOPES,
        zones=sorted(available_timezones()),
        rule=rule,
    )
