"""What a route needs: each declares an action of `airwatch/access/permissions.toml`, or the program does not start."""

from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import iter_route_contexts
from starlette.routing import Mount

from airwatch.access.caller import Caller
from airwatch.access.permissions import PUBLIC, shipped_permissions
from dashboards.access.forms import check_form
from dashboards.errors import ForbiddenError, PagesError, SignInError

STATIC = "/static/"
"""Below it lie style sheets, scripts and pictures of the program itself, which the sign-in page needs, too."""

_SAFE = ("GET", "HEAD", "OPTIONS")


class Needs:
    """A dependency that lets through who may do an action, and of what changes something only what was meant."""

    def __init__(self, action: str) -> None:
        self.action = action
        if action != PUBLIC:
            shipped_permissions().named(action)  # an unknown one is an error where it is declared

    async def __call__(self, request: Request) -> None:
        """Check one request."""
        if self.action == PUBLIC:
            return
        caller = caller_of(request)
        require(caller, self.action)
        if request.method not in _SAFE:
            await check_form(request, caller)


def needs(action: str) -> Any:
    """Declare what a route or a router needs; of several declarations each must hold.

    Raises
    ------
    AccessError
        The table has no such action.
    """
    return Depends(Needs(action))


def require(caller: Caller, action: str) -> None:
    """Check that a caller may do something.

    Raises
    ------
    ForbiddenError
        They may not.
    """
    if caller.may(action):
        return
    row = shipped_permissions().named(action)
    if caller.via == "open":
        raise ForbiddenError(
            "Without an account nobody may do this. Make one: airwatch account add NAME --role admin --db PATH."
        )
    if caller.via == "token" and not caller.roles.isdisjoint(row.roles):
        what = "no token may do this; sign in" if row.scope == "none" else f"it needs the scope {row.scope}"
        raise ForbiddenError(f"This token has the scope {caller.scope}; {what}.")
    raise ForbiddenError(
        f"{caller.name} has the role {caller.role}; this needs {' or '.join(row.roles)}. Ask an admin of airwatch."
    )


def caller_of(request: Request) -> Caller:
    """Give who asks.

    Raises
    ------
    SignInError
        Nobody said who; the gate lets such through only to what is public.
    """
    caller: Caller | None = getattr(request.state, "caller", None)
    if caller is None:
        raise SignInError("Sign in first.")
    return caller


CallerInput = Annotated[Caller, Depends(caller_of)]


def declared(dependant: Dependant) -> Iterator[str]:
    """Give the actions that a route declares."""
    for part in dependant.dependencies:
        if isinstance(part.call, Needs):
            yield part.call.action
        yield from declared(part)


def check_declared(app: FastAPI) -> frozenset[str]:
    """Check that every route declares what it needs, and give the paths that are public.

    Raises
    ------
    PagesError
        A route declares nothing, or is public under a path that is not fixed.
    """
    public = set()
    for route in iter_route_contexts(app.routes):
        path = str(route.path)
        if isinstance(route.original_route, Mount) and f"{path}/" == STATIC:
            continue
        dependant = getattr(route, "dependant", None)
        actions = set(declared(dependant)) if isinstance(dependant, Dependant) else set()
        if not actions:
            raise PagesError(
                f"route {path} declares nothing that it needs; give it or its router dependencies=[needs(…)]"
                " (dashboards.access.needs)"
            )
        if actions == {PUBLIC} and not path.startswith(STATIC):
            if "{" in path:
                raise PagesError(f"route {path} is public under a path that is not fixed; public paths are fixed")
            public.add(path)
    return frozenset(public)
