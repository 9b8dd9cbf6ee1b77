"""The way to an identity provider and back."""

from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response

from airwatch.access.errors import AccessError
from airwatch.access.permissions import PUBLIC
from airwatch.access.settings import shipped_settings
from dashboards.access.access import Access, access_of, address_of
from dashboards.access.forms import check_origin, is_same
from dashboards.access.needs import needs
from dashboards.access.sign_in_pages import form_page, signed_in
from dashboards.errors import NotFoundError, as_sentence
from pipelines.accounts import note_refused, take_in

if TYPE_CHECKING:
    from dashboards.access.provider import Provider

router = APIRouter(include_in_schema=False, dependencies=[needs(PUBLIC)])

Given = Annotated[str, Form(max_length=2000)]


@router.post("/sign-in/provider")
def leave(request: Request, form_key: Given = "", next: Given = "/") -> Response:  # noqa: A002 as links have it
    """Send the browser to the provider."""
    from dashboards.access.provider import Errand  # noqa: PLC0415 it needs the extra `oidc`

    access, provider = _with_provider(request)
    check_origin(request)
    longest_s = shipped_settings().form.longest_s
    if not is_same(form_key, access.cookies.read(request, "form", longest_s=longest_s) or ""):
        return form_page(
            request, next, "The page was open for too long, or cookies are blocked. Try again.", status=403
        )
    errand = Errand.begin(next)
    try:
        away = RedirectResponse(provider.leave(errand), 303)
    except AccessError as err:
        return form_page(request, next, as_sentence(err), status=502)
    access.cookies.put(request, away, "provider", errand.packed(), longest_s=longest_s)
    return away


@router.get("/sign-in/back")
def come_back(request: Request) -> Response:
    """Take in whoever the provider vouches for."""
    from dashboards.access.provider import Errand  # noqa: PLC0415 it needs the extra `oidc`

    access, provider = _with_provider(request)
    longest_s = shipped_settings().form.longest_s
    packed = access.cookies.read(request, "provider", longest_s=longest_s)
    if packed is None:
        text = "This sign-in was not begun in this browser, or too long ago. Begin anew."
        return form_page(request, "/", text, status=401)
    try:
        errand = Errand.unpacked(packed)
        person = provider.come_back(errand, request.query_params, access.clock())
        account = take_in(
            access.file,
            access.clock(),
            issuer=person.issuer,
            subject=person.subject,
            name=person.name,
            role=person.role,
            fleets=person.fleets,
            address=address_of(request),
        )
        done = signed_in(request, account, to=errand.to, device=None)
    except AccessError as err:
        note_refused(access.file, access.clock(), address=address_of(request), why=str(err))
        done = form_page(request, "/", as_sentence(err), status=401)
    access.cookies.drop(request, done, "provider")
    return done


def _with_provider(request: Request) -> "tuple[Access, Provider]":
    access = access_of(request)
    if access.provider is None:
        raise NotFoundError("There is no identity provider to sign in at.")
    return access, access.provider
