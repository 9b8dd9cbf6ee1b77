"""Response headers that hold the browser to what these pages need."""

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = {
    "default-src": "'self'",
    "script-src": "'self'",
    "style-src": "'self'",
    "style-src-attr": "'unsafe-inline'",  # Plotly sets style attributes on what it draws; style elements stay barred
    "img-src": "'self' data: blob:",  # a figure saved as a picture is drawn through these
    "connect-src": "'self'",
    "object-src": "'none'",
    "base-uri": "'none'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
}
CONTENT_SECURITY_POLICY = "; ".join(f"{name} {value}" for name, value in POLICY.items())
TLS_ONLY = "max-age=31536000"
"""Strict-Transport-Security (RFC 6797): a browser that has come by TLS once comes by nothing else for a year."""

HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # no-referrer makes browsers send `Origin: null` with our own forms
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class SecurityHeaders:
    """Adds `HEADERS` to every response; what does not say how long it may be kept may not be kept, or not unasked."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        is_static = str(scope.get("path", "")).startswith("/static/")

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if scope.get("scheme") == "https":
                    headers["Strict-Transport-Security"] = TLS_ONLY
                headers.setdefault("Cache-Control", "no-cache" if is_static else "no-store")
            await send(message)

        await self._app(scope, receive, send_with_headers)
