"""The service inside the test's own process: no port, no server, but its real start-up, ledger and answer."""

from __future__ import annotations

import asyncio
import json
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import httpx
from fastapi import FastAPI

from cds.audit.read import LedgerReader
from cds.audit.record import Kind, Record
from cds.service.app import create_app
from cds.service.desk import Desk
from cds.service.settings import Settings

BUNDLES = Path(__file__).parents[2] / "synthetic_bundles"
LEAD = "01-ketoacidosis-valproate-meropenem"
SPOOL_BYTES = 1024 * 1024
JSON = {"content-type": "application/json"}


def scenario(name: str = LEAD) -> dict[str, Any]:
    """The request of a scenario, by the name of its folder or its number."""
    folder = next(path for path in sorted(BUNDLES.glob("*/")) if path.name.startswith(name))
    whole: dict[str, Any] = json.loads((folder / "request.json").read_bytes())
    return whole


def scenarios() -> list[str]:
    """The folders of all scenarios."""
    return sorted(path.parent.name for path in BUNDLES.glob("*/request.json"))


class Inside:
    """One worker. Calls run one after the other on its own event loop, unless they are given together (`together`)."""

    def __init__(self, data: Path, **settings: Any) -> None:
        self.settings = Settings(data=data, spool_bytes=SPOOL_BYTES, **settings)
        self.app: FastAPI = create_app(self.settings, freeze=False)
        self._runner = asyncio.Runner()
        self._lifespan = self.app.router.lifespan_context(self.app)

    def __enter__(self) -> Inside:
        self._runner.__enter__()
        self._runner.run(self._lifespan.__aenter__())
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        try:
            self._runner.run(self._lifespan.__aexit__(kind, error, trace))
        finally:
            self._runner.__exit__(kind, error, trace)

    @property
    def desk(self) -> Desk:
        """The worker's desk."""
        desk: Desk = self.app.state.desk
        return desk

    @property
    def ledger_directory(self) -> Path:
        """Where the ledger is."""
        return self.settings.data / "ledger"

    def request(self, method: str, path: str, **given: Any) -> httpx.Response:
        """One HTTP request."""
        return self.together((method, path, given))[0]

    def together(self, *calls: tuple[str, str, Mapping[str, Any]]) -> list[httpx.Response]:
        """HTTP requests at the same time."""

        async def all_of() -> list[httpx.Response]:
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url="http://trivet.example") as client:
                return await asyncio.gather(*(client.request(method, path, **given) for method, path, given in calls))

        return self._runner.run(all_of())

    def call(self, request: Mapping[str, Any] | bytes, service: str | None = None, **headers: str) -> httpx.Response:
        """One hook call; the service is that of the request's hook unless given."""
        name = service or f"trivet-{json.loads(request)['hook'] if isinstance(request, bytes) else request['hook']}"
        content = request if isinstance(request, bytes) else json.dumps(request).encode()
        return self.request("POST", f"/cds-services/{name}", content=content, headers={**JSON, **headers})

    def feedback(self, card: str, *, service: str = "trivet-order-sign", outcome: str = "overridden", **members: Any) -> httpx.Response:
        """Feedback on one card."""
        item = {"card": card, "outcome": outcome, "outcomeTimestamp": "2026-03-14T08:25:00Z", **members}
        return self.request("POST", f"/cds-services/{service}/feedback", json={"feedback": [item]})

    def records(self, kind: Kind | None = Kind.CALL) -> list[Record]:
        """What the ledger holds, in order; the rows that wait are written first."""
        self.desk.flush()
        self.desk.ledger.run(lambda stream: None)
        found = LedgerReader(self.ledger_directory).records(self.desk.ledger.stream)
        return [record for record in found if kind is None or record.kind == kind]


@contextmanager
def inside(data: Path, **settings: Any) -> Iterator[Inside]:
    """A started worker with its data under `data`."""
    with Inside(data, **settings) as running:
        yield running


def codes(response: httpx.Response) -> set[str]:
    """Every advisory that an answer carries."""
    return {entry["code"] for card in response.json()["cards"] for entry in card["extension"]["example.trivet.advisories"]}


def card_with(response: httpx.Response, code: str) -> dict[str, Any]:
    """The card that carries an advisory."""
    found: dict[str, Any] = next(
        card for card in response.json()["cards"] if code in {entry["code"] for entry in card["extension"]["example.trivet.advisories"]}
    )
    return found


def results_of(request: Mapping[str, Any], key: str, text: str) -> Iterator[dict[str, Any]]:
    """The results of a list whose code's text or display holds `text`."""
    for entry in request["prefetch"][key]["entry"]:
        resource = entry["resource"]
        if text in json.dumps(resource.get("code", {})).lower():
            yield resource


def new_uuid() -> str:
    """A random uuid."""
    return str(uuid.uuid4())
