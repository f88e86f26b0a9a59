"""A service under test, spoken to over HTTP, and a FHIR server that writes down who asked it what."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx

Json = Any


@dataclass(frozen=True, slots=True)
class Service:
    """`client` has the service's base address; `data_dir` is where it may write, its log included (None for a fake)."""

    client: httpx.Client
    data_dir: Path | None = None

    def discovery(self) -> httpx.Response:
        """GET {base}/cds-services."""
        return self.client.get("/cds-services")

    def call(self, request: Json, service_id: str | None = None) -> httpx.Response:
        """POST a request to the service of its hook, or to the one named. Bytes go out as they are."""
        body = request if isinstance(request, bytes) else json.dumps(request).encode()
        hook = request.get("hook", "order-sign") if isinstance(request, dict) else "order-sign"
        return self._post(f"/cds-services/{service_id or f'trivet-{hook}'}", body)

    def feedback(self, body: Json, service_id: str = "trivet-order-sign") -> httpx.Response:
        """POST feedback on cards of one service."""
        return self._post(f"/cds-services/{service_id}/feedback", json.dumps(body).encode())

    def _post(self, path: str, body: bytes) -> httpx.Response:
        return self.client.post(path, content=body, headers={"Content-Type": "application/json"})


@dataclass(slots=True)
class RecordingFhirServer:
    """Answers every read with an empty searchset and keeps (path, Authorization) of each."""

    base: str
    calls: list[tuple[str, str]] = field(default_factory=list)


@contextmanager
def recording_fhir_server() -> Iterator[RecordingFhirServer]:
    """A FHIR server on the loopback address under /fhir/r4."""
    empty = b'{"resourceType": "Bundle", "type": "searchset", "total": 0}'

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            recorder.calls.append((self.path, self.headers.get("Authorization", "")))
            self.send_response(200)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(empty)))
            self.end_headers()
            self.wfile.write(empty)

        def log_message(self, *args: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    recorder = RecordingFhirServer(f"http://127.0.0.1:{server.server_port}/fhir/r4")
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield recorder
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
