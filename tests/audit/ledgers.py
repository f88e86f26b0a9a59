"""Ledgers, drafts and readings that the tests of this folder share."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any

import cds
from cds.audit.record import Kind, RecordDraft
from cds.audit.store import Ledger

NOW_MS = 1_700_000_000_000
SPOOL_BYTES = 256 * 1024
_numbers = itertools.count(1)


def start() -> RecordDraft:
    return RecordDraft(Kind.START, NOW_MS, mode="live")


def opened(directory: Path, *, head_key: str | None = None, **settings: Any) -> Ledger:
    begun = start() if head_key is None else replace(start(), facts={"head_key": head_key})
    return Ledger.open(directory, begun, clock_ms=lambda: NOW_MS + 1, **{"spool_bytes": SPOOL_BYTES, **settings})


def call(**members: Any) -> RecordDraft:
    number = next(_numbers)
    given: dict[str, Any] = {
        "received_ms": NOW_MS + number,
        "service": "trivet-order-sign",
        "hook": "order-sign",
        "status": 200,
        "outcome": "cards",
        "advisories": ("insulin-with-low-potassium",),
        "cards": (str(uuid.UUID(int=number)),),
        "request_id": str(uuid.UUID(int=2**64 + number)),
        "evidence": {"answer": b'{"cards":[]}', "rules": b"[]"},
    }
    return RecordDraft(Kind.CALL, **{**given, **members})


def filled(directory: Path, count: int = 10) -> None:
    """A ledger of one start record and `count` calls."""
    with opened(directory) as ledger:
        for _ in range(count):
            assert ledger.append_sync(call()).state == "stored"


WRITER = """
import sys, time, pathlib
from tests.audit.ledgers import NOW_MS, opened, call
directory, count, synchronous = pathlib.Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
from cds.audit.stream import PRAGMAS
settings = {} if synchronous == "FULL" else {"pragmas": {**PRAGMAS, "synchronous": synchronous}}
ledger = opened(directory, **settings)
for _ in range(count):
    receipt = ledger.append_sync(call())
    print(receipt.state, receipt.stream, receipt.sequence, receipt.hash.hex(), flush=True)
ledger.close()
"""


def writer(directory: Path, count: int, synchronous: str = "FULL", before: tuple[str, ...] = ()) -> subprocess.Popen[str]:
    """Another process that appends `count` calls one after the other and says what was acknowledged."""
    root = str(Path(cds.__file__).parent.parent)
    return subprocess.Popen(
        [*before, sys.executable, "-c", WRITER, str(directory), str(count), synchronous],
        env={**os.environ, "PYTHONPATH": root},
        stdout=subprocess.PIPE,
        text=True,
    )
