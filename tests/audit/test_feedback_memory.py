"""Feedback as records of its own, and the override memory derived from it (AU-11, L-14, L-26, C-05)."""

from __future__ import annotations

import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cds.audit.feedback import Deciding, deciding_to_bytes, feedback_on, feedback_record, overrides_in
from cds.audit.memory import MemoryRow, OverrideMemory, rows_from_bytes, rows_to_bytes
from cds.audit.read import LedgerReader
from cds.audit.record import Pseudonym
from cds.audit.store import Ledger
from cds.audit.verify import verify
from tests.audit.ledgers import NOW_MS, call, opened

CARD = str(uuid.UUID(int=77))
REASONS = ("already-done", "disagree")
PATIENT, OTHER, ENCOUNTER, USER = (Pseudonym(f"{n:032x}") for n in range(4))
ROW = MemoryRow(PATIENT, ENCOUNTER, USER, "insulin-with-low-potassium", "critical", "f1", NOW_MS, "disagree")
ITEM: dict[str, Any] = {
    "card": CARD,
    "outcome": "overridden",
    "overrideReason": {
        "reason": {"code": "disagree", "system": "https://trivet.example"},
        "userComment": "MARKERcomment",
    },
    "outcomeTimestamp": "2023-11-14T22:13:20Z",
}


def told(ledger: Ledger, **members: Any) -> None:
    deciding = deciding_to_bytes({CARD: [Deciding("insulin-with-low-potassium", "critical", "f1")]})
    given = {
        "cards": (CARD,),
        "patient": PATIENT,
        "user": USER,
        "encounter": ENCOUNTER,
        "client": "ehr",
        "tenant": "north",
    }
    ledger.append_sync(call(evidence={"deciding": deciding}, **{**given, **members}))


def feedback(ledger: Ledger, directory: Path, item: dict[str, Any] = ITEM, **members: Any) -> tuple[MemoryRow, ...]:
    given: dict[str, Any] = {"received_ms": NOW_MS, "service": "trivet-order-sign", "client": "ehr", "tenant": "north"}
    origin = LedgerReader(directory).by_card_uuid(str(item["card"]))
    made = feedback_record(item, origin, reasons=REASONS, **{**given, **members})
    assert ledger.append_sync(made.draft).state == "stored"
    return made.overrides


def test_au_11_feedback_is_appended_and_the_call_stays_as_it_is(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger:
        told(ledger)
        before = LedgerReader(tmp_path).by_card_uuid(CARD)
        assert feedback(ledger, tmp_path) == feedback(ledger, tmp_path) == (ROW,)
    reader = LedgerReader(tmp_path)
    assert reader.by_card_uuid(CARD) == before
    records = feedback_on(reader, CARD)
    assert [record.header["facts"] for record in records] == [
        {"card": CARD, "effective": True, "matched": True, "outcome": "overridden", "reason": "disagree"}
    ] * 2
    assert b"MARKERcomment" in records[0].parts["feedback"] and b"MARKERcomment" not in records[0].header_bytes
    assert verify(tmp_path).ok


@pytest.mark.parametrize(
    ("call_members", "item", "feedback_members", "matched", "effective"),
    [
        ({}, {**ITEM, "card": str(uuid.UUID(int=5))}, {}, False, False),
        ({}, {**ITEM, "card": "MARKERcard"}, {}, False, False),
        ({}, ITEM, {"client": "another"}, True, False),
        ({}, ITEM, {"tenant": "south"}, True, False),
        ({}, {**ITEM, "outcome": "accepted"}, {}, True, True),
        ({"purpose": "canary"}, ITEM, {}, True, True),
        ({"user": None}, ITEM, {}, True, True),
    ],
)
def test_feedback_that_changes_nothing_is_recorded_all_the_same(
    tmp_path: Path,
    call_members: dict[str, Any],
    item: dict[str, Any],
    feedback_members: dict[str, Any],
    matched: bool,
    effective: bool,
) -> None:
    with opened(tmp_path) as ledger:
        told(ledger, **call_members)
        assert feedback(ledger, tmp_path, item, **feedback_members) == ()
    entry = list(LedgerReader(tmp_path).entries("00"))[-1]
    facts = entry.header["facts"]
    assert (entry.kind, facts["matched"], facts["effective"]) == ("feedback", matched, effective)
    assert b"MARKER" not in entry.header_bytes
    if not effective:
        assert "patient" not in entry.header


def test_reason_that_no_card_offers_stays_in_the_evidence(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger:
        told(ledger)
        rows = feedback(ledger, tmp_path, {**ITEM, "overrideReason": {"reason": {"code": "MARKER smith"}}})
    assert [row.reason for row in rows] == [None]
    assert b"MARKER" not in list(LedgerReader(tmp_path).entries("00"))[-1].header_bytes


def test_every_worker_sees_an_override_at_once(tmp_path: Path) -> None:
    one, two = OverrideMemory(tmp_path), OverrideMemory(tmp_path)
    one.remember([ROW])
    one.remember([ROW])
    assert two.read(PATIENT, ENCOUNTER, USER) == (ROW,)
    one.close()
    two.close()


def test_c_05_memory_is_of_one_patient_encounter_and_user(tmp_path: Path) -> None:
    memory = OverrideMemory(tmp_path)
    outside = replace(ROW, encounter=None, at_ms=NOW_MS + 5)
    memory.remember([ROW, outside])
    assert memory.read(OTHER, ENCOUNTER, USER) == memory.read(PATIENT, OTHER, USER) == memory.read(PATIENT, ENCOUNTER, OTHER) == ()
    assert memory.read(PATIENT, None, USER) == (outside,)
    assert memory.read(PATIENT, None, USER, since_ms=NOW_MS + 6) == ()
    assert memory.forget_before(NOW_MS + 1) == 1
    assert memory.read(PATIENT, ENCOUNTER, USER) == ()
    memory.close()


def test_memory_is_rebuilt_from_the_ledger(tmp_path: Path) -> None:
    memory = OverrideMemory(tmp_path)
    with opened(tmp_path) as ledger:
        told(ledger)
        memory.remember(feedback(ledger, tmp_path))
        feedback(ledger, tmp_path, client="another")
    before = memory.read(PATIENT, ENCOUNTER, USER)
    memory.remember([replace(ROW, advisory="never-in-the-ledger")])
    memory.rebuild(overrides_in(LedgerReader(tmp_path)))
    assert memory.read(PATIENT, ENCOUNTER, USER) == before == (ROW,)
    memory.close()


def test_rows_have_one_spelling_for_the_record() -> None:
    rows = (ROW, replace(ROW, encounter=None, reason=None))
    assert rows_from_bytes(rows_to_bytes(rows)) == rows
