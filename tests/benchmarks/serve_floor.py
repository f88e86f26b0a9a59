"""The floor: bare ASGI, orjson.loads, and one durable row of the same number of bytes by the same writer (F-26).

It knows no FHIR, reads no chart and judges nothing: whatever a service adds to this is what the service costs. The header
`x-row-bytes` says how large the evidence of the row is to be; the collector is set as in the service.
"""

from __future__ import annotations

import gc
import os
import time
import uuid
from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any

import orjson

from cds.audit.record import Kind, RecordDraft
from cds.audit.store import Ledger

Message = MutableMapping[str, Any]
FILLER = bytes(8 * 1024 * 1024)
ANSWER = b'{"cards":[]}'
HEADERS = [(b"content-type", b"application/json"), (b"content-length", str(len(ANSWER)).encode())]


def now_ms() -> int:
    """Milliseconds since 1970 UTC."""
    return time.time_ns() // 1_000_000


class Floor:
    """The ASGI application. Its ledger lies under the folder named in FLOOR_DATA."""

    ledger: Ledger

    async def __call__(
        self, scope: Message, receive: Callable[[], Awaitable[Message]], send: Callable[[Message], Awaitable[None]]
    ) -> None:
        if scope["type"] == "lifespan":
            await self._live(receive, send)
            return
        parts: list[bytes] = []
        more = scope["method"] == "POST"
        while more:
            message = await receive()
            parts.append(message.get("body", b""))
            more = message.get("more_body", False)
        if parts:
            body = parts[0] if len(parts) == 1 else b"".join(parts)
            orjson.loads(body)
            wanted = next((int(value) for name, value in scope["headers"] if name == b"x-row-bytes"), 0)
            evidence = {"request": body, "rest": FILLER[: max(0, wanted - len(body))]}
            draft = RecordDraft(Kind.CALL, now_ms(), service="floor", status=200, outcome="floor", request_id=str(uuid.uuid4()), evidence=evidence)
            receipt = await self.ledger.append(draft)
            if receipt.state != "stored":
                raise RuntimeError("the row was not stored")
        await send({"type": "http.response.start", "status": 200, "headers": HEADERS})
        await send({"type": "http.response.body", "body": ANSWER})

    async def _live(self, receive: Callable[[], Awaitable[Message]], send: Callable[[Message], Awaitable[None]]) -> None:
        while True:
            message = await receive()
            if message["type"] == "lifespan.startup":
                self.ledger = Ledger.open(Path(os.environ["FLOOR_DATA"]), RecordDraft(Kind.START, now_ms()), clock_ms=now_ms)
                gc.collect()
                gc.freeze()
                gc.set_threshold(50_000, 20, 100)
                await send({"type": "lifespan.startup.complete"})
            else:
                self.ledger.close()
                await send({"type": "lifespan.shutdown.complete"})
                return


app = Floor()
