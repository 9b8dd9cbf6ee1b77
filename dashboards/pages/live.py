"""The stream of changes that open pages listen to."""

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse, Response, StreamingResponse

from dashboards.live import Live

router = APIRouter()


@router.get("/live")
async def live(request: Request) -> Response:
    """Send a small event whenever there is something new to show."""
    stream: Live = request.app.state.live
    if stream.is_full:
        return PlainTextResponse("Too many pages are open to keep this one up to date.\n", 503, {"Retry-After": "60"})
    return StreamingResponse(stream.stream(), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
