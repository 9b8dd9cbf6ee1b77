"""The web application over one store."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles
from starlette.middleware.trustedhost import TrustedHostMiddleware

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store
from airwatch.store.views import Views
from dashboards import assets
from dashboards.access.access import Access
from dashboards.access.gate import Gate
from dashboards.access.needs import check_declared
from dashboards.access.routes import routers as access_routers
from dashboards.api import routes as api
from dashboards.boards import Boards
from dashboards.histories import Histories
from dashboards.live import Live
from dashboards.pages import routes as pages
from dashboards.problems import handle_errors
from dashboards.security import SecurityHeaders
from dashboards.timing import ServerTiming

_ABOUT = (
    "Air brake readings of a fleet. Times are RFC 3339 UTC with milliseconds, pressures gauge kPa. A reading finds"
    " work; it never clears a vehicle. Qualified inspectors and local rules decide. Send a token of your account:"
    " Authorization: Bearer …. Without any account it answers on loopback only."
)


def create_app(store: Store, health: Health | None, *, access: Access, hosts: Sequence[str] | None = None) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    store : Store
        Where everything is read from.
    health : Health, optional
        Of the subscriber in this process, if one runs.
    access : Access
        Who may ask.
    hosts : sequence of str, optional
        Names under which the pages may be asked for; any by default. A server on loopback gives its own, so that a page
        from elsewhere can't reach it under a name that it made point here.

    Raises
    ------
    PagesError
        A route does not declare what it needs.
    """
    app = FastAPI(
        title="airwatch",
        version="1",
        description=_ABOUT,
        openapi_url=None,  # its own route would declare nothing
        docs_url=None,
        redoc_url=None,
        lifespan=_running,
    )
    views = Views(store)
    app.state.views, app.state.health, app.state.access = views, health, access
    app.state.boards, app.state.live = Boards(views), Live()
    app.state.histories = Histories(store)
    app.state.boards.whole.when_new(app.state.live.tell)
    app.include_router(api.router)
    app.include_router(pages.router)
    app.include_router(assets.router)
    for router in access_routers:
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=assets.STATIC), name="static")
    app.add_middleware(Gate, access=access, public=check_declared(app))
    if hosts is not None:
        app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False)
    app.add_middleware(SecurityHeaders)
    app.add_middleware(ServerTiming)
    handle_errors(app)
    return app


@asynccontextmanager
async def _running(app: FastAPI) -> AsyncIterator[None]:
    """Keep the boards up to date while the application is served."""
    boards: Boards = app.state.boards
    live: Live = app.state.live
    live.open()
    boards.start()
    try:
        yield
    finally:
        live.close()
        boards.stop()
        app.state.histories.close()
