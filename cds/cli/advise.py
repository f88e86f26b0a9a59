"""`trivet advise`: one request judged without a server and without a record."""

from __future__ import annotations

import json
import sys
import time
import uuid
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
from rich.console import Console

from cds.call import answer, request_of_bundle
from cds.chart import NO_MEMORY
from cds.cli.cards import print_answer, print_outcome
from cds.intake import EVALUATE_AT
from cds.service.discovery import HOOKS, SERVICES
from cds.service.knowledge import call_settings, load_knowledge
from cds.service.settings import Settings, SettingsError

_DECODER = msgspec.json.Decoder(float_hook=Decimal)
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def run(settings: Settings, file: str, at: str | None, *, as_json: bool) -> int:
    """Judge and print. Exit code 0 answered, 2 refused. SettingsError where the file is neither a request nor a Bundle."""
    body, hook = request_from(sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes(), at)
    chosen = settings.model_copy(update={"allow_client_time": True})
    knowledge = load_knowledge(chosen)
    made = answer(
        body, now=time.time_ns() // 1_000_000, request_id=str(uuid.uuid4()), memory=NO_MEMORY, knowledge=knowledge,
        settings=call_settings(chosen, hook, knowledge.parameters),
    )  # fmt: skip
    if as_json:
        print(json.dumps(json.loads(made.body), ensure_ascii=False, indent=2))
        return 0 if made.status == 200 else 2
    if made.status != 200:
        print_outcome(Console(stderr=True), json.loads(made.body))
        return 2
    print_answer(Console(), json.loads(made.body), made.now)
    return 0


def request_from(content: bytes, at: str | None) -> tuple[bytes, str]:
    """A CDS Hooks request from the content of a file, and its hook. Numbers keep the digits that they were written with.

    `at` replaces the request's own time of judgement. SettingsError where the content is neither a request nor a Bundle.
    """
    try:
        whole: Any = _DECODER.decode(content)
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"the file is not JSON ({error})") from error
    if isinstance(whole, dict) and whole.get("resourceType") == "Bundle":
        try:
            return _ENCODER.encode(request_of_bundle(whole, at=at or "")), "order-sign"
        except ValueError as error:
            raise SettingsError(str(error)) from error
    hook = whole.get("hook") if isinstance(whole, dict) else None
    if hook not in HOOKS:
        raise SettingsError(f"the file is neither a Bundle nor a CDS Hooks request for one of {', '.join(SERVICES.values())}")
    if at is None:
        return content, hook
    extension = whole.get("extension")
    changed = {**whole, "extension": {**(extension if isinstance(extension, dict) else {}), EVALUATE_AT: at}}
    return _ENCODER.encode(changed), hook
