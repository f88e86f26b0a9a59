"""One recorded call, judged again. Pure: the record and the knowledge in, the category and the differences out."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

from cds.assess import Knowledge
from cds.audit.memory import Remembered, rows_from_bytes
from cds.audit.record import Kind, Record
from cds.call import Answer, answer, failed
from cds.chart import Memory, Override, Promise
from cds.replay.configuration import Configuration

MOST_DIFFERENCES = 20
NOT_READ = "not-read"
"""Outcome of a call that was refused before its body was read (unknown service, too large, not JSON): there is nothing to judge again."""
FEEDBACK_REFUSED = "feedback-refused"
"""Outcome of a feedback request of bad form."""


class Category(StrEnum):
    """What became of one record (L-16). `OTHER_RELEASE`: other software gave the answer; `NOT_KEPT`: what it rested on is no longer, or never was, stored."""

    EQUAL = "equal"
    DIFFERENT = "different"
    OTHER_RELEASE = "other release"
    NOT_KEPT = "not kept"
    NOT_A_CALL = "not a call"


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a record says of one call. `received` in ms since 1970 UTC; `hashes` by name."""

    id: str
    service: str
    received: int
    request_id: str
    status: int
    request: bytes
    answer: bytes
    rules: bytes
    memory: Remembered
    hashes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Again:
    """A call judged again: the answer, and where it differs from the record (at most 20 lines)."""

    answer: Answer
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Replayed:
    """One record's outcome. `why` says why it was not compared; `differences` are empty where the answers are equal byte for byte."""

    id: str
    received: int
    category: Category
    why: str = ""
    differences: tuple[str, ...] = ()


def recorded_of(record: Record) -> Recorded | Replayed:
    """A record as a call, or why it cannot be judged again."""
    header = record.header

    def unfit(category: Category, why: str) -> Replayed:
        return Replayed(record.id, record.received_ms, category, why)

    if record.kind != Kind.CALL or header.get("outcome") == FEEDBACK_REFUSED:
        return unfit(Category.NOT_A_CALL, record.kind)
    if record.evidence is None:
        return unfit(Category.NOT_KEPT, "the evidence was erased")
    try:
        parts = record.parts
        memory = Remembered(*(rows_from_bytes(parts[name]) if name in parts else () for name in ("memory", "promises")))
    except (ValueError, KeyError, TypeError):
        return unfit(Category.NOT_KEPT, "the evidence cannot be read")
    if header.get("outcome") == NOT_READ or "service" not in header:
        return unfit(Category.NOT_KEPT, "refused before it was read")
    if "request" not in parts or "answer" not in parts or "request_id" not in header:
        return unfit(Category.NOT_KEPT, "the record has no request or no answer")
    return Recorded(
        record.id, str(header["service"]), record.received_ms, str(header["request_id"]), int(header.get("status", 0)), parts["request"], parts["answer"],
        parts.get("rules", b""), memory, dict(header.get("hashes", {})),
    )  # fmt: skip


def memory_of(remembered: Remembered, shift: int) -> Memory:
    """Remembered overrides and promises as the frozen data that a call reads.

    `shift` (ms) is the time of judgement less the time received: an override stays as old as it is, also where a request brings its own time (F-35).
    """
    return Memory(
        tuple(Override(r.advisory, r.indicator, r.fingerprint, r.at_ms + shift, r.user, r.encounter or "", r.reason or "") for r in remembered.overrides),
        tuple(Promise(r.advisory, r.indicator, r.at_ms + shift, r.fingerprint) for r in remembered.promises),
    )


def judge_again(call: Recorded, configuration: Configuration, knowledge: Knowledge) -> Again:
    """Judge a recorded call again from what the record holds, and compare status, answer and every rule's result byte for byte."""
    settings = configuration.call_settings(configuration.services[call.service], knowledge.parameters)
    try:
        made = answer(
            call.request, now=call.received, request_id=call.request_id, knowledge=knowledge, settings=settings,
            memory=lambda intake: memory_of(call.memory, intake.chart.now - call.received),
        )  # fmt: skip
    except Exception as error:
        made = failed(call.request_id, call.received, type(error).__name__, configuration.canonical_base)
    found: list[str] = []
    if made.status != call.status:
        found.append(f"status: {call.status} recorded, {made.status} now")
    for name, old, new in (("answer", call.answer, made.body), ("rules", call.rules, made.rules)):
        if old != new:
            found += differences(name, old, new)
    return Again(made, tuple(found[:MOST_DIFFERENCES]))


def differences(name: str, old: bytes, new: bytes) -> list[str]:
    """Where two JSON texts differ, as paths with both values; one line where only their spelling does."""
    try:
        before, now = json.loads(old or b"null", parse_float=Decimal), json.loads(new or b"null", parse_float=Decimal)
    except ValueError:
        return [f"{name}: the bytes differ"]
    return [f"{path}: {was} recorded, {becomes} now" for path, was, becomes in _walk(name, before, now)] or [f"{name}: the bytes differ, the content does not"]


_NOTHING = object()


def _walk(path: str, old: Any, new: Any) -> Iterator[tuple[str, str, str]]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys((*old, *new)):
            yield from _walk(f"{path}.{key}", old.get(key, _NOTHING), new.get(key, _NOTHING))
    elif isinstance(old, list) and isinstance(new, list):
        for place in range(max(len(old), len(new))):
            yield from _walk(f"{path}[{place}]", old[place] if place < len(old) else _NOTHING, new[place] if place < len(new) else _NOTHING)
    elif old != new:
        yield path, _said(old), _said(new)


def _said(value: Any) -> str:
    if value is _NOTHING:
        return "nothing"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 120 else f"{text[:119]}…"
