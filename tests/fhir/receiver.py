"""A doctor's system for tests: a real HTTP server on the loopback that keeps Communications by their identifier."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Receiver(ThreadingHTTPServer):
    """Keeps what it takes once for each identifier; `mode` says how it behaves towards the next requests."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.mode: str | int = "takes"
        self.kept: dict[str, bytes] = {}
        self.heard: list[tuple[dict[str, str], bytes]] = []
        self.arrived, self.go_on = threading.Event(), threading.Event()

    @property
    def address(self) -> str:
        """Where notices are posted."""
        return f"http://127.0.0.1:{self.server_address[1]}/fhir/Communication"

    def identifiers(self) -> list[str]:
        """The identifiers of everything it was sent, in order."""
        return [json.loads(body)["identifier"][0]["value"] for _headers, body in self.heard]

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Connections that break are part of the test."""


class _Handler(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        told = dict(self.headers.items())
        body = self.rfile.read(int(told["Content-Length"]))
        self.server.heard.append((told, body))
        mode = self.server.mode
        if isinstance(mode, int):
            self._answer(mode, {"resourceType": "OperationOutcome"})
            return
        name = told["If-None-Exist"]
        assert name.endswith("|" + told["Idempotency-Key"])
        known = name in self.server.kept
        self.server.kept.setdefault(name, body)
        self.server.arrived.set()
        if mode == "holds":
            self.server.go_on.wait(30)
        if mode == "dies":
            self.connection.close()
            return
        self._answer(
            200 if known else 201, {"resourceType": "Communication", "id": f"c{len(self.server.kept)}"}
        )

    def _answer(self, status: int, data: dict[str, Any]) -> None:
        text = json.dumps(data).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is printed."""


@contextmanager
def receiving(port: int = 0) -> Iterator[Receiver]:
    """The server, answering until the block ends."""
    server = Receiver(port)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server
    finally:
        server.go_on.set()
        server.shutdown()
        server.server_close()
