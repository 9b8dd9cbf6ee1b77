"""A webhook that tests post to."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Webhook:
    """An HTTP server that keeps what is posted to it and answers with `status`."""

    def __init__(self) -> None:
        self.status = 200
        self.posted: list[tuple[str, dict[str, Any]]] = []
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.posted.append((self.path, json.loads(body)))
                self.send_response(hook.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Answer no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
