"""The HTTP application: CDS Hooks 2.0, health and version.

Bodies are read raw and decoded once; the answer waits for its record (AU-01). Everything that a client sends gets a 2xx or a precise 4xx.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import gc
import logging
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

import msgspec
from fastapi import FastAPI
from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.middleware.cors import CORSMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

import cds
from cds.audit.errors import LedgerError, LedgerUnavailable
from cds.audit.memory import NOTHING_REMEMBERED
from cds.audit.record import blank_token
from cds.call import Answer, operation_outcome, refusal
from cds.intake import RequestError
from cds.replay.again import FEEDBACK_REFUSED, NOT_READ
from cds.service.desk import Desk, as_headers, not_recorded, now_ms, where
from cds.service.discovery import SERVICES, discovery, openapi
from cds.service.feedback import read_feedback
from cds.service.settings import Settings

_JSON = "application/json"
_HEADERS = as_headers()
LOG = logging.getLogger("cds.service")
FLUSH_SECONDS = 1.0


def create_app(settings: Settings | None = None, *, freeze: bool = True, desk: Desk | None = None) -> FastAPI:
    """The application for one worker. Its ledger, knowledge and memory are opened at start-up and closed at the end.

    A `desk` that the caller has opened already, with the same settings, is taken as it is and closed at the end.
    """
    chosen = settings or Settings()
    opened = desk

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        desk = opened or Desk(chosen)
        app.state.desk = desk
        flusher = asyncio.create_task(_flush(desk))
        if freeze:
            # Full collections would walk everything that was imported; frozen, the slowest answers are four times faster.
            gc.collect()
            gc.freeze()
            gc.set_threshold(50_000, 20, 100)
        try:
            yield
        finally:
            flusher.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await flusher
            await asyncio.to_thread(desk.close)

    app = FastAPI(title="Trivet", version=cds.__version__, lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)
    app.state.settings = chosen
    document = msgspec.json.encode(discovery())
    api_text = msgspec.json.encode(openapi())
    app.router.routes.extend(
        [
            Route("/cds-services/{service_id}", _guarded(_hook), methods=["POST"]),
            Route("/cds-services/{service_id}/feedback", _guarded(_feedback), methods=["POST"]),
            Route("/cds-services", _constant(document), methods=["GET"]),
            Route("/openapi.json", _constant(api_text), methods=["GET"]),
            Route("/health/live", _constant(b'{"status":"alive"}'), methods=["GET"]),
            Route("/health/ready", _guarded(_ready), methods=["GET"]),
            Route("/version", _guarded(_version), methods=["GET"]),
        ]
    )
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _unforeseen)
    if chosen.cors_origins:
        app.add_middleware(
            CORSMiddleware, allow_origins=list(chosen.cors_origins), allow_methods=["GET", "POST"], allow_headers=["authorization", "content-type"]
        )
    return app


def app_from_environment() -> FastAPI:
    """For worker processes: the settings come from the environment that the parent made."""
    return create_app(Settings().checked())


async def _flush(desk: Desk) -> None:
    while True:
        await asyncio.sleep(FLUSH_SECONDS)
        with contextlib.suppress(LedgerError):
            desk.flush()


def _constant(body: bytes) -> Any:
    async def endpoint(_: Request) -> Response:
        return Response(body, media_type=_JSON, headers=_HEADERS)

    return endpoint


async def _body(request: Request, most: int) -> bytes:
    """The whole body, or RequestError: 413 when it is too large, 415 when it is declared as something other than JSON."""
    kind = request.headers.get("content-type", _JSON)
    if "json" not in kind.lower():
        raise RequestError(415, "not-supported", "send JSON with a JSON media type", "")
    length = request.headers.get("content-length", "")
    if length.isdigit() and int(length) > most:
        raise RequestError(413, "too-long", f"the body is larger than {most} bytes", "")
    parts: list[bytes] = []
    size = 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise RequestError(413, "too-long", f"the body is larger than {most} bytes", "")
        parts.append(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


Endpoint = Callable[[Request], Awaitable[Response]]


def _guarded(endpoint: Endpoint) -> Endpoint:
    """No error of ours reaches the server's own handler, whose log would repeat the error's text and with it what the request held (AU-32)."""

    @functools.wraps(endpoint)
    async def guarded(request: Request) -> Response:
        try:
            return await endpoint(request)
        except Exception as error:
            LOG.error("%s failed: %s", endpoint.__name__.strip("_"), where(error))
            return await _unforeseen(request, error)

    return guarded


async def _hook(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    service = request.path_params["service_id"]
    request_id = str(uuid.uuid4())
    body = blank_token(b"")
    rows = NOTHING_REMEMBERED
    received = now_ms()
    if service not in SERVICES:
        made = Answer(404, operation_outcome("not-found", "no such service; see /cds-services"), NOT_READ, received)
        service = None
    else:
        try:
            # What is judged is what is stored: the token is gone before either (L-1).
            body = blank_token(await _body(request, desk.settings.max_body_bytes))
            received = now_ms()
            made, rows = desk.judge(service, body, request_id, received)
        except RequestError as error:
            made = Answer(error.status, refusal(error), NOT_READ, received)
        except ClientDisconnect:
            made = Answer(499, b"", NOT_READ, received)
    content = made.body
    try:
        receipt = await desk.record(service, body, made, rows, request_id, received, request.headers.get("x-request-id", "")[:200])
    except LedgerUnavailable:
        return Response(
            operation_outcome("transient", "the answer could not be recorded, so it is not given; call again"),
            503, media_type=_JSON, headers=as_headers({"trivet-request-id": request_id}),
        )  # fmt: skip
    if receipt.state == "lost" and made.status == 200:
        content = not_recorded(content, request_id, desk.settings.canonical_base)
    gone = await request.is_disconnected()
    return Response(
        content, made.status, media_type=_JSON, headers={**_HEADERS, "trivet-request-id": request_id},
        background=BackgroundTask(_delivered, desk, request_id, made.status, received, sent=not gone),
    )  # fmt: skip


async def _delivered(desk: Desk, request_id: str, status: int, received: int, *, sent: bool) -> None:
    desk.delivered(request_id, status, received, sent=sent)


async def _feedback(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    service = request.path_params["service_id"]
    request_id = str(uuid.uuid4())
    headers = as_headers({"trivet-request-id": request_id})
    received = now_ms()
    body = blank_token(b"")
    try:
        if service not in SERVICES:
            raise RequestError(404, "not-found", "no such service; see /cds-services", "")
        body = blank_token(await _body(request, desk.settings.max_body_bytes))
        items = read_feedback(body)
        await asyncio.to_thread(desk.feedback, service, items, request_id)
    except RequestError as error:
        made = Answer(error.status, refusal(error), FEEDBACK_REFUSED, received)
        with contextlib.suppress(LedgerUnavailable):
            await desk.record(service if service in SERVICES else None, body, made, NOTHING_REMEMBERED, request_id, received)
        return Response(made.body, error.status, media_type=_JSON, headers=headers)
    except LedgerUnavailable:
        return Response(operation_outcome("transient", "the feedback could not be recorded; send it again"), 503, media_type=_JSON, headers=headers)
    except ClientDisconnect:
        return Response(status_code=499)
    return Response(b"{}", 200, media_type=_JSON, headers=headers)


async def _ready(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    health = desk.ledger.health()
    body = {
        "status": "ready" if health.ready else "not ready",
        "mode": desk.settings.mode,
        "ledger": "takes records" if health.ready else "does not take records",
        "spooled": health.spooled_waiting,
        "lost": health.lost,
        "heads": "signed" if desk.heads.trouble is None else "not signed",
    }
    return Response(msgspec.json.encode(body), 200 if health.ready else 503, media_type=_JSON, headers=_HEADERS)


async def _version(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    body = {"release": cds.__version__, "mode": desk.settings.mode, "hashes": desk.hashes, "profiles": dict(desk.knowledge.parameters.profiles)}
    return Response(msgspec.json.encode(body), media_type=_JSON, headers=_HEADERS)


_CODES = {404: ("not-found", "no such address"), 405: ("not-supported", "this address takes another method"), 400: ("invalid", "the request cannot be read")}


async def _http_error(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 400
    code, text = _CODES.get(status, ("processing", "the request was refused"))
    extra = dict(error.headers or {}) if isinstance(error, HTTPException) else {}
    return Response(operation_outcome(code, text), status, media_type=_JSON, headers=as_headers(extra))


async def _unforeseen(request: Request, error: Exception) -> Response:
    return Response(operation_outcome("exception", "the service failed on this request"), 500, media_type=_JSON, headers=_HEADERS)
