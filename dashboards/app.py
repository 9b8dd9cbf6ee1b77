"""The web application over one store."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles
from starlette.middleware.trustedhost import TrustedHostMiddleware

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store
from dashboards import assets
from dashboards.api import routes as api
from dashboards.board import Board
from dashboards.histories import Histories
from dashboards.live import Live
from dashboards.pages import routes as pages
from dashboards.problems import handle_errors
from dashboards.security import SecurityHeaders
from dashboards.timing import ServerTiming

_ABOUT = (
    "Air brake readings of a fleet. Times are RFC 3339 UTC with milliseconds, pressures gauge kPa. A reading finds"
    " work; it never clears a vehicle. Qualified inspectors and local rules decide. There is no sign-in yet: serve it"
    " on loopback only."
)


def create_app(store: Store, health: Health | None, *, hosts: Sequence[str] | None = None) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    store : Store
        Where everything is read from.
    health : Health, optional
        Of the subscriber in this process, if one runs.
    hosts : sequence of str, optional
        Names under which the pages may be asked for; any by default. A server on loopback gives its own, so that a page
        from elsewhere can't reach it under a name that it made point here.
    """
    app = FastAPI(
        title="airwatch",
        version="1",
        description=_ABOUT,
        openapi_url=f"{api.PREFIX}/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=_running,
    )
    app.state.store, app.state.health = store, health
    app.state.board, app.state.live = Board(store), Live()
    app.state.histories = Histories(store)
    app.state.board.when_new(app.state.live.tell)
    if hosts is not None:
        app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False)
    app.add_middleware(SecurityHeaders)
    app.add_middleware(ServerTiming)
    app.include_router(api.router)
    app.include_router(pages.router)
    app.include_router(assets.router)
    app.mount("/static", StaticFiles(directory=assets.STATIC), name="static")
    handle_errors(app)
    return app


@asynccontextmanager
async def _running(app: FastAPI) -> AsyncIterator[None]:
    """Keep the board up to date while the application is served."""
    board: Board = app.state.board
    live: Live = app.state.live
    live.open()
    board.start()
    try:
        yield
    finally:
        live.close()
        board.stop()
        app.state.histories.close()
