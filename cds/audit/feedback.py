"""CDS Hooks feedback as records of its own, linked to the card by its uuid; the record of the call is never touched
(AU-11).

Feedback of valid form is always recorded. A card that no stream has is recorded as unmatched; feedback from another
client or tenant than the card's is recorded and has no effect (L-14).
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cds.audit.memory import MemoryRow, rows_from_bytes, rows_to_bytes
from cds.audit.read import LedgerReader
from cds.audit.record import Fact, Kind, Record, RecordDraft

DECIDING_PART = "deciding"
"""The evidence part of a call that says what decided each card; see `deciding_to_bytes`."""
OVERRIDES_PART = "overrides"
FEEDBACK_PART = "feedback"

_CARD = re.compile(r"[0-9a-fA-F-]{36}\Z")


@dataclass(frozen=True, slots=True)
class Deciding:
    """One advisory on a card, and the fingerprint of the inputs that decided it."""

    advisory: str
    indicator: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class FeedbackRecord:
    """What to append, and what to remember once it is stored."""

    draft: RecordDraft
    overrides: tuple[MemoryRow, ...]


def deciding_to_bytes(cards: Mapping[str, Sequence[Deciding]]) -> bytes:
    """By card uuid, what decided it: the evidence part "deciding" of a call's record, from which later feedback knows
    what to remember."""
    whole = {card.lower(): [[d.advisory, d.indicator, d.fingerprint] for d in deciding] for card, deciding in cards.items()}
    return json.dumps(whole, ensure_ascii=True, sort_keys=True, separators=(",", ":")).encode("ascii")


def feedback_record(
    item: Mapping[str, Any],
    origin: Record | None,
    *,
    received_ms: int,
    service: str,
    client: str | None,
    tenant: str | None,
    reasons: Collection[str],
    jti: str | None = None,
    request_id: str | None = None,
) -> FeedbackRecord:
    """One item of a feedback request that was checked for its form: `card`, `outcome`, perhaps `overrideReason`,
    `outcomeTimestamp`.

    `origin` is the record of the call that returned the card (`LedgerReader.by_card_uuid`), None where no stream has
    it. The whole item, with a user's comment, goes into the evidence; into the header go the outcome, the reason
    where it is one of `reasons` (the codes that the cards offer), and the pseudonyms of the call. Overrides are
    remembered only for a card of the same client and tenant, in a call that was real (L-31).
    """
    card, outcome = str(item.get("card", "")), item.get("outcome")
    reason = _reason(item, reasons)
    same = origin is not None and origin.header.get("client") == client and origin.header.get("tenant") == tenant
    facts: dict[str, Fact] = {"matched": origin is not None, "effective": same}
    if _CARD.match(card):
        facts["card"] = card.lower()
    if outcome in ("accepted", "overridden"):
        facts["outcome"] = outcome
    if reason is not None:
        facts["reason"] = reason
    header = origin.header if origin is not None else {}
    overrides: tuple[MemoryRow, ...] = ()
    if origin is not None and same and outcome == "overridden" and header.get("purpose", "real") == "real":
        overrides = _overrides(origin, card.lower(), reason, received_ms)
    evidence = {FEEDBACK_PART: json.dumps(item, ensure_ascii=True, sort_keys=True, default=str).encode("ascii")}
    if overrides:
        evidence[OVERRIDES_PART] = rows_to_bytes(overrides)
    draft = RecordDraft(
        kind=Kind.FEEDBACK,
        received_ms=received_ms,
        service=service,
        purpose=header.get("purpose"),
        client=client,
        tenant=tenant,
        jti=jti,
        user=header.get("user") if same else None,
        patient=header.get("patient") if same else None,
        encounter=header.get("encounter") if same else None,
        outcome="feedback",
        advisories=tuple(dict.fromkeys(row.advisory for row in overrides)),
        request_id=request_id,
        facts=facts,
        evidence=evidence,
    )
    return FeedbackRecord(draft, overrides)


def overrides_in(reader: LedgerReader) -> Iterator[MemoryRow]:
    """Every override that the ledger's feedback records hold: what `OverrideMemory.rebuild` takes. Erased evidence is
    passed over."""
    for stream in reader.streams():
        for entry in reader.entries(stream):
            if entry.kind != Kind.FEEDBACK or not entry.header.get("advisories"):
                continue
            record = reader.get(stream, entry.sequence)
            if record is not None and OVERRIDES_PART in record.parts:
                yield from rows_from_bytes(record.parts[OVERRIDES_PART])


def feedback_on(reader: LedgerReader, card: str) -> list[Record]:
    """All feedback on one card, in order of the time received. Looks through every feedback record."""
    found: list[Record] = []
    for stream in reader.streams():
        for entry in reader.entries(stream):
            if entry.kind == Kind.FEEDBACK and entry.header.get("facts", {}).get("card") == card.lower():
                record = reader.get(stream, entry.sequence)
                if record is not None:
                    found.append(record)
    return sorted(found, key=lambda record: (record.received_ms, record.stream, record.sequence))


def _reason(item: Mapping[str, Any], reasons: Collection[str]) -> str | None:
    given = item.get("overrideReason")
    reason = given.get("reason") if isinstance(given, Mapping) else None
    code = reason.get("code") if isinstance(reason, Mapping) else None
    return code if isinstance(code, str) and code in reasons else None


def _overrides(origin: Record, card: str, reason: str | None, at_ms: int) -> tuple[MemoryRow, ...]:
    header = origin.header
    patient, user = header.get("patient"), header.get("user")
    if not patient or not user or DECIDING_PART not in origin.parts:
        return ()
    deciding = json.loads(origin.parts[DECIDING_PART]).get(card, [])
    return tuple(
        MemoryRow(patient, header.get("encounter"), user, advisory, indicator, fingerprint, at_ms, reason) for advisory, indicator, fingerprint in deciding
    )
