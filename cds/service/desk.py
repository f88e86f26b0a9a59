"""One worker's desk: knowledge, ledger and memory held open, and the way from a body to a recorded answer."""

from __future__ import annotations

import hashlib
import json
import logging
import sqlite3
import time
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

import cds
from cds.audit.errors import LedgerError, LedgerUnavailable
from cds.audit.feedback import Deciding, deciding_to_bytes, feedback_record
from cds.audit.keeper import HeadKeeper
from cds.audit.memory import NOTHING_REMEMBERED, OverrideMemory, Remembered, rows_to_bytes
from cds.audit.read import LedgerReader
from cds.audit.record import Blanked, Kind, RecordDraft
from cds.audit.store import Ledger, Receipt
from cds.call import Answer, answer, failed, notice
from cds.cards.build import REASONS
from cds.chart import DAY, MINUTE, Memory
from cds.intake import Intake
from cds.replay import memory_of
from cds.service.discovery import SERVICES
from cds.service.knowledge import call_settings, configuration, in_force_on, knowledge_files, software_digest
from cds.service.settings import Settings

LOG = logging.getLogger("cds.service")
REASON_CODES = frozenset(code for code, _ in REASONS)


def now_ms() -> int:
    """The service's clock: milliseconds since 1970 UTC (C-09)."""
    return time.time_ns() // 1_000_000


class Desk:
    """Everything that one worker process holds open. Make it once, at start-up."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        files = knowledge_files(settings)
        self.configuration = configuration(settings, in_force_on(files))
        self.knowledge = self.configuration.knowledge(files)
        self.by_service = {service: self.configuration.call_settings(hook, self.knowledge.parameters) for service, hook in SERVICES.items()}
        self.tenant = settings.tenant or None
        directory = settings.data / "ledger"
        kept = {"configuration": self.configuration.to_bytes(), "parameter_files": json.dumps(files, sort_keys=True).encode(), "site_map": b"{}"}
        self.hashes = {
            "software": software_digest(),
            "knowledge": self.knowledge.digest,
            "parameters": self.knowledge.parameters.digest,
            **{name: hashlib.sha256(body).hexdigest() for name, body in kept.items()},
        }
        # Before the ledger is opened: a chain whose end was cut off is not continued.
        self.heads = HeadKeeper(directory, settings.key_folder, settings.witness_file, clock_ms=now_ms)
        try:
            facts = {"release": cds.__version__, "head_key": self.heads.key.public.hex()}
            start = RecordDraft(Kind.START, now_ms(), mode=settings.mode, tenant=self.tenant, hashes=self.hashes, facts=facts)
            self.ledger = Ledger.open(
                directory, start, clock_ms=now_ms, on_failure=settings.ledger_on_failure, spool_directory=settings.spool, spool_bytes=settings.spool_bytes
            )
        except BaseException:
            self.heads.close()
            raise
        for name, body in kept.items():
            self.ledger.keep_blob(name, body, received_ms=now_ms())
        self.memory = OverrideMemory(directory)
        self.reader = LedgerReader(directory)
        self._delivered: list[RecordDraft] = []
        self.heads.alarm = self._found
        self.heads.start()

    def close(self) -> None:
        """Write what waits and close the files."""
        self.flush()
        self.ledger.close()
        self.memory.close()
        self.heads.close()

    def _found(self, what: str) -> None:
        """The keeper of the heads gives alarm: it names streams and records, never what is in them."""
        LOG.error("no head is signed: %s", what)
        self.ledger.append_nowait(RecordDraft(Kind.FINDING, now_ms(), facts={"what": what}))

    def flush(self) -> None:
        """Hand waiting 'delivered' rows to the writer."""
        waiting, self._delivered = self._delivered, []
        for draft in waiting:
            self.ledger.append_nowait(draft)

    # One call --------------------------------------------------------------------------------------------------------------------

    def judge(self, service: str, body: Blanked, request_id: str, received: int) -> tuple[Answer, Remembered]:
        """Read, judge and answer one body. Whatever goes wrong inside is an answer that says so, never an exception (HZ-32)."""
        read: list[Remembered] = []

        def recall(intake: Intake) -> Memory:
            rows = self._remembered(intake, received)
            read.append(rows)
            return memory_of(rows, intake.chart.now - received)

        try:
            made = answer(body, now=received, request_id=request_id, memory=recall, knowledge=self.knowledge, settings=self.by_service[service])
        except Exception as error:
            LOG.error("call %s failed: %s", request_id, where(error))
            made = failed(request_id, received, type(error).__name__, self.settings.canonical_base)
        return made, read[0] if read else NOTHING_REMEMBERED

    def _remembered(self, intake: Intake, received: int) -> Remembered:
        names = self.ledger.pseudonyms
        envelope = intake.envelope
        encounter = names.encounter(self.tenant, envelope.encounter_id) if envelope.encounter_id else None
        since = 0 if encounter is not None else received - DAY
        patient, user = names.patient(self.tenant, envelope.patient_id), names.user(self.tenant, envelope.user_id)
        try:
            overrides = self.memory.read(patient, encounter, user, since_ms=since)
            kept = int(self.knowledge.adult.p.number("promise_remembered")) * MINUTE
            return Remembered(overrides, self.memory.promises(patient, since_ms=received - kept))
        except sqlite3.Error as error:
            # Without memory nothing is held back: a card too many, never one too few.
            LOG.error("override memory cannot be read: %s", where(error))
            return NOTHING_REMEMBERED

    def draft(
        self, service: str | None, body: Blanked, made: Answer, rows: Remembered, request_id: str, received: int, caller_id: str = ""
    ) -> RecordDraft:
        """The record of one call (AU-01 to AU-13)."""
        intake = made.intake
        evidence: dict[str, bytes] = {"answer": made.body}
        if made.rules:
            evidence["rules"] = made.rules
        for name, read in (("memory", rows.overrides), ("promises", rows.promises)):
            if read:
                evidence[name] = rows_to_bytes(read)
        if made.by_uuid:
            evidence["deciding"] = deciding_to_bytes({card: [Deciding(*row) for row in decided if row[2]] for card, decided in made.by_uuid.items()})
        user = patient = encounter = None
        hook_instance = hook = None
        if intake is not None:
            names, envelope = self.ledger.pseudonyms, intake.envelope
            user, patient = names.user(self.tenant, envelope.user_id), names.patient(self.tenant, envelope.patient_id)
            encounter = names.encounter(self.tenant, envelope.encounter_id) if envelope.encounter_id else None
            hook_instance, hook = envelope.hook_instance, envelope.hook
            evidence["envelope"] = msgspec.json.encode(
                {"user": envelope.user_id, "patient": envelope.patient_id, "encounter": envelope.encounter_id or "", "caller-request-id": caller_id}
            )
        return RecordDraft(
            Kind.CALL, received, made.now, service=service, hook=hook, purpose="real", mode=self.settings.mode, tenant=self.tenant,
            user=user, patient=patient, encounter=encounter, status=made.status, outcome=made.outcome, advisories=tuple(sorted(made.codes)),
            cards=made.uuids, request_id=request_id, hook_instance=hook_instance, hashes=self.hashes, evidence=evidence, request=body,
        )  # fmt: skip

    async def record(
        self, service: str | None, body: Blanked, made: Answer, rows: Remembered, request_id: str, received: int, caller_id: str = ""
    ) -> Receipt:
        """Store the record of one call, with the 'delivered' rows that wait, and return when it is durable.

        A record that cannot be made or stored at all is "lost" under `answer`, and LedgerUnavailable under `refuse` (L-3).
        """
        try:
            draft = self.draft(service, body, made, rows, request_id, received, caller_id)
            waiting, self._delivered = self._delivered, []
            return await self.ledger.append(draft, waiting)
        except LedgerUnavailable:
            if self.settings.ledger_on_failure == "refuse":
                raise
        except Exception as error:
            LOG.error("the record of call %s cannot be made: %s", request_id, where(error))
            if self.settings.ledger_on_failure == "refuse":
                raise LedgerUnavailable("the record cannot be made") from error
        return Receipt("lost", self.ledger.stream)

    def delivered(self, request_id: str, status: int, received: int, *, sent: bool) -> None:
        """Remember what became of an answer; written with the next record, or within a second (L-4)."""
        at = now_ms()
        self._delivered.append(
            RecordDraft(Kind.DELIVERED, at, request_id=request_id, status=status, outcome="sent" if sent else "client gone", facts={"ms": at - received})
        )

    # Feedback --------------------------------------------------------------------------------------------------------------------

    def feedback(self, service: str, items: list[dict[str, Any]], request_id: str) -> None:
        """Record each item, and remember overrides. Blocks: call it in a thread. LedgerUnavailable when it cannot be stored."""
        for item in items:
            try:
                origin = self.reader.by_card_uuid(str(item["card"]))
            except (sqlite3.Error, LedgerError) as error:
                raise LedgerUnavailable(f"the ledger cannot be read: {where(error)}") from error
            made = feedback_record(
                item, origin, received_ms=now_ms(), service=service, client=None, tenant=self.tenant, reasons=REASON_CODES, request_id=request_id
            )
            if self.ledger.append_sync(made.draft).state == "lost":
                raise LedgerUnavailable("the feedback cannot be recorded")
            if made.overrides:
                try:
                    self.memory.remember(made.overrides)
                except sqlite3.Error as error:
                    # It is recorded, and the memory can be made again from the records; until then the card comes back.
                    LOG.error("override memory cannot be written: %s", where(error))


def where(error: BaseException) -> str:
    """Sort and place of an error for a log: never its text, which may repeat what a request held (AU-32)."""
    frames = traceback.extract_tb(error.__traceback__)
    last = frames[-1] if frames else None
    return f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno} ({last.name})" if last else type(error).__name__


def not_recorded(body: bytes, request_id: str, base: str) -> bytes:
    """Mark every card of an answer that could not be recorded; add a warning card where there is none (F-22, L-3)."""
    whole: dict[str, Any] = msgspec.json.decode(body)
    mark = "\n\n**Not recorded.** This answer could not be written to the ledger."
    for card in whole["cards"]:
        card["detail"] = f"{card.get('detail', '')}{mark}".strip()
        card.setdefault("extension", {})["example.trivet.not-recorded"] = True
    if not any(card["indicator"] in ("warning", "critical") for card in whole["cards"]):
        whole["cards"].append(
            notice(request_id, "not-recorded", base, "Trivet could not record this answer: tell the service owner", "The ledger and its spool both failed.")
        )
    return msgspec.json.encode(whole)


def as_headers(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """Headers of every answer: never cached, never guessed at."""
    return {"cache-control": "no-store", "x-content-type-options": "nosniff", **(extra or {})}


__all__ = ["Desk", "as_headers", "call_settings", "not_recorded", "now_ms", "where"]
