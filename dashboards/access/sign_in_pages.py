"""Signing in and out."""

import secrets
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from airwatch.access.errors import AccessError, WaitError, wait_text
from airwatch.access.permissions import PUBLIC
from airwatch.access.settings import shipped_settings
from airwatch.store.access.accounts import Account
from airwatch.store.access.sessions import hash_of
from dashboards.access.access import Access, access_of, address_of
from dashboards.access.forms import check_origin, is_same
from dashboards.access.needs import CallerInput, needs
from dashboards.errors import TooManyError
from dashboards.templating import render
from pipelines.sign_in import REFUSED, begin, check_sign_in, new_device, sign_out

_DEVICE_S = 365 * 86400.0

router = APIRouter(include_in_schema=False)

Given = Annotated[str, Form(max_length=2000)]


@router.get("/sign-in", dependencies=[needs(PUBLIC)])
def sign_in_page(request: Request, next: str = "/") -> Response:  # noqa: A002 as links have it
    """Ask who is there."""
    if request.state.caller is not None:
        return RedirectResponse(inside(next), 303)
    return form_page(request, next)


@router.post("/sign-in", dependencies=[needs(PUBLIC)])
def sign_in(
    request: Request,
    name: Given = "",
    password: Given = "",
    form_key: Given = "",
    next: Given = "/",  # noqa: A002
) -> Response:
    """Begin a session, or say why not."""
    access = access_of(request)
    check_origin(request)
    longest_s = shipped_settings().form.longest_s
    if not is_same(form_key, access.cookies.read(request, "form", longest_s=longest_s) or ""):
        return form_page(
            request, next, "The page was open for too long, or cookies are blocked. Try again.", status=403
        )
    device = device_of(request, name)
    try:
        account = check_sign_in(
            access.file, access.clock(), name=name, password=password, address=address_of(request), device=device
        )
        return signed_in(request, account, to=next, device=device)
    except WaitError as err:
        refused = form_page(
            request, next, f"Too many attempts failed. Try again in {wait_text(err.wait_s)}.", status=429
        )
        refused.headers["Retry-After"] = str(int(err.wait_s) + 1)
        return refused
    except AccessError:
        return form_page(request, next, REFUSED, status=401)


@router.post("/sign-out", dependencies=[needs("own.account")])
def sign_out_here(request: Request, caller: CallerInput) -> Response:
    """End the session."""
    access = access_of(request)
    sign_out(access.file, access.clock(), session=caller.session, source=access.source(request, caller))
    done = RedirectResponse("/sign-in", 303)
    access.cookies.drop(request, done, "session")
    return done


def signed_in(request: Request, account: Account, *, to: str, device: str | None) -> Response:
    """Begin a session with an id of its own, and go on to where the reader wanted to.

    Raises
    ------
    AccessError
        Meanwhile the account was disabled or its password changed.
    """
    access = access_of(request)
    before = access.session_cookie(request)
    session = begin(
        access.file,
        access.clock(),
        account=account,
        address=address_of(request),
        ends=None if before is None else hash_of(before),
    )
    done = RedirectResponse(inside(to), 303)
    access.cookies.put(request, done, "session", session, longest_s=shipped_settings().session.longest_s)
    known = f"{account.name.lower()} {device or new_device()}"
    access.cookies.put(request, done, "device", known, longest_s=_DEVICE_S, same_site="strict")
    access.cookies.drop(request, done, "form")
    return done


def device_of(request: Request, name: str) -> str | None:
    """Give what marks this browser, if the account was signed in from it before."""
    access = access_of(request)
    kept = access.cookies.read(request, "device", longest_s=_DEVICE_S)
    whose, _, device = (kept or "").partition(" ")
    return device if device and whose == name.strip().lower() else None


def inside(to: str) -> str:
    """Give a path of these pages; what would lead elsewhere leads to the first page."""
    is_path = to.startswith("/") and not to.startswith("//") and "\\" not in to and to.isprintable()
    return to if is_path else "/"


def check_own_password(request: Request, name: str, password: str) -> None:
    """Check that whoever sits there knows the account's password.

    Raises
    ------
    AccessError
        They don't.
    TooManyError
        Too many attempts failed.
    """
    access, device = access_of(request), device_of(request, name)
    try:
        check_sign_in(
            access.file, access.clock(), name=name, password=password, address=address_of(request), device=device
        )
    except WaitError as err:
        raise TooManyError(f"Too many attempts failed. Try again in {wait_text(err.wait_s)}.", err.wait_s) from err


def form_page(request: Request, to: str, refusal: str = "", *, status: int = 200) -> HTMLResponse:
    """Give the sign-in page, with what was wrong, if anything was."""
    access, key = access_of(request), secrets.token_urlsafe(24)
    page = render(
        request,
        "sign_in.html",
        status_code=status,
        refusal=refusal,
        next=inside(to),
        sign_in_key=key,
        provider=provider_name(access),
    )
    access.cookies.put(request, page, "form", key, longest_s=shipped_settings().form.longest_s, same_site="strict")
    return page


def provider_name(access: Access) -> str:
    """Give what the identity provider is called; empty without one."""
    return "" if access.provider is None else access.provider.config.name
