"""One worker's desk: knowledge, ledger and memory held open, and the way from a body to a recorded answer."""

from __future__ import annotations

import hashlib
import json
import time
import uuid
from collections.abc import Mapping
from typing import Any

import msgspec

import cds
from cds.audit.feedback import Deciding, deciding_to_bytes, feedback_record
from cds.audit.memory import MemoryRow, OverrideMemory, rows_to_bytes
from cds.audit.read import LedgerReader
from cds.audit.record import Kind, RecordDraft, blank_token
from cds.audit.store import Ledger, Receipt
from cds.call import Answer, CallSettings, answer, operation_outcome
from cds.cards.build import REASONS, CardSettings
from cds.chart import DAY, Memory, Override
from cds.intake import Intake, IntakeSettings
from cds.intake.limits import limits_from
from cds.parameters import ParameterSet
from cds.service.discovery import SERVICES
from cds.service.knowledge import load_knowledge, parameter_files, software_digest
from cds.service.settings import Settings

REASON_CODES = frozenset(code for code, _ in REASONS)


def now_ms() -> int:
    """The service's clock: milliseconds since 1970 UTC (C-09)."""
    return time.time_ns() // 1_000_000


def memory_of(rows: tuple[MemoryRow, ...]) -> Memory:
    """Remembered overrides as the frozen data that `assess` reads."""
    return Memory(tuple(Override(r.advisory, r.indicator, r.fingerprint, r.at_ms, r.user, r.encounter or "", r.reason or "") for r in rows))


def call_settings(settings: Settings, hook: str, knowledge_parameters: ParameterSet) -> CallSettings:
    """What `answer` needs of the settings for one hook."""
    return CallSettings(
        IntakeSettings(hook=hook, site_zone=settings.site_zone, allow_client_time=settings.client_time, limits=limits_from(knowledge_parameters)),
        CardSettings(base=settings.canonical_base, release=cds.__version__),
        frozenset(settings.switched_off),
    )


def configuration(settings: Settings) -> bytes:
    """The settings that an answer depends on, as canonical JSON; no path and no address of this machine."""
    kept = settings.model_dump(
        mode="json", include={"site_zone", "canonical_base", "adult_profile", "child_profile", "seizure_profile", "switched_off", "mode", "tenant", "max_body_bytes"}
    )
    kept["switched_off"] = sorted(kept["switched_off"])
    kept["client_time"] = settings.client_time
    return json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()


class Desk:
    """Everything that one worker process holds open. Make it once, at start-up."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.knowledge = load_knowledge(settings)
        self.by_service = {service: call_settings(settings, hook, self.knowledge.parameters) for service, hook in SERVICES.items()}
        self.tenant = settings.tenant or None
        directory = settings.data / "ledger"
        config = configuration(settings)
        self.hashes = {
            "software": software_digest(),
            "knowledge": self.knowledge.digest,
            "parameters": self.knowledge.parameters.digest,
            "configuration": hashlib.sha256(config).hexdigest(),
            "site_map": hashlib.sha256(b"{}").hexdigest(),
        }
        start = RecordDraft(Kind.START, now_ms(), mode=settings.mode, tenant=self.tenant, hashes=self.hashes, facts={"release": cds.__version__})
        self.ledger = Ledger.open(
            directory, start, clock_ms=now_ms, on_failure=settings.ledger_on_failure, spool_directory=settings.spool, spool_bytes=settings.spool_bytes
        )
        self.ledger.keep_blob("configuration", config, received_ms=now_ms())
        files = {name: text for name, text in parameter_files().items()}
        if settings.site_parameters is not None:
            files[f"site:{settings.site_parameters.name}"] = settings.site_parameters.read_text(encoding="utf-8")
        self.hashes["parameter_files"] = self.ledger.keep_blob("parameter_files", json.dumps(files, sort_keys=True).encode(), received_ms=now_ms())
        self.hashes["site_map"] = self.ledger.keep_blob("site_map", b"{}", received_ms=now_ms())
        self.memory = OverrideMemory(directory)
        self.reader = LedgerReader(directory)
        self._delivered: list[RecordDraft] = []

    def close(self) -> None:
        """Write what waits and close the files."""
        self.flush()
        self.ledger.close()
        self.memory.close()

    def flush(self) -> None:
        """Hand waiting 'delivered' rows to the writer."""
        waiting, self._delivered = self._delivered, []
        for draft in waiting:
            self.ledger.append_nowait(draft)

    # One call --------------------------------------------------------------------------------------------------------------------

    def judge(self, service: str, body: bytes, request_id: str, received: int) -> tuple[Answer, tuple[MemoryRow, ...]]:
        """Read, judge and answer one body. Whatever goes wrong inside is an answer that says so, never an exception (HZ-32)."""
        read: list[MemoryRow] = []

        def recall(intake: Intake) -> Memory:
            rows = self._overrides(intake, received)
            read.extend(rows)
            return memory_of(rows)

        try:
            made = answer(body, now=received, request_id=request_id, memory=recall, knowledge=self.knowledge, settings=self.by_service[service])
        except Exception as error:
            made = failed(request_id, received, type(error).__name__, self.settings.canonical_base)
        return made, tuple(read)

    def _overrides(self, intake: Intake, received: int) -> tuple[MemoryRow, ...]:
        names = self.ledger.pseudonyms
        envelope = intake.envelope
        encounter = names.encounter(self.tenant, envelope.encounter_id) if envelope.encounter_id else None
        since = 0 if encounter is not None else received - DAY
        return self.memory.read(
            names.patient(self.tenant, envelope.patient_id), encounter, names.user(self.tenant, envelope.user_id), since_ms=since
        )

    def draft(
        self, service: str | None, body: bytes, made: Answer, rows: tuple[MemoryRow, ...], request_id: str, received: int, caller_id: str = ""
    ) -> RecordDraft:
        """The record of one call (AU-01 to AU-13)."""
        intake = made.intake
        evidence: dict[str, bytes] = {"answer": made.body}
        if made.rules:
            evidence["rules"] = made.rules
        if rows:
            evidence["memory"] = rows_to_bytes(rows)
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
            cards=made.uuids, request_id=request_id, hook_instance=hook_instance, hashes=self.hashes, evidence=evidence, request=blank_token(body),
        )  # fmt: skip

    async def record(self, draft: RecordDraft) -> Receipt:
        """Store a record, with the 'delivered' rows that wait, and return when it is durable."""
        self.flush()
        return await self.ledger.append(draft)

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
            origin = self.reader.by_card_uuid(str(item["card"]))
            made = feedback_record(
                item, origin, received_ms=now_ms(), service=service, client=None, tenant=self.tenant, reasons=REASON_CODES, request_id=request_id
            )
            self.ledger.append_sync(made.draft)
            if made.overrides:
                self.memory.remember(made.overrides)


def failed(request_id: str, now: int, kind: str, base: str) -> Answer:
    """The answer when the service itself failed: 200 with a card that says so, because errors are not shown at the bedside (C-07, HZ-32)."""
    card = notice(
        request_id, "failed", base, "Trivet failed on this request and judged nothing: do not read its silence as all clear",
        f"The service met an error of its own ({kind}) and gives no advice on this call. It is recorded under {request_id}.",
    )  # fmt: skip
    return Answer(200, msgspec.json.encode({"cards": [card]}), "failed", now, codes={"critical-input-missing": "warning"}, uuids=(card["uuid"],))


def notice(request_id: str, name: str, base: str, summary: str, detail: str) -> dict[str, Any]:
    """A warning card about the service itself."""
    return {
        "uuid": str(uuid.uuid5(uuid.UUID(request_id), f"card:{name}")),
        "summary": summary,
        "indicator": "warning",
        "detail": f"{detail}\n\n_Advice for the treating clinician, who decides; local protocol comes first._",
        "source": {
            "label": "Trivet: state of the service",
            "topic": {"system": f"{base}/CodeSystem/advisory", "code": "critical-input-missing", "display": "Input that an advisory needs is missing"},
        },
        "extension": {"example.trivet.advisories": [{"code": "critical-input-missing", "indicator": "warning", "role": "lead"}]},
    }


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


def outcome(status: str, text: str) -> bytes:
    """An OperationOutcome for errors that have no path."""
    return operation_outcome(status, text)


def as_headers(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """Headers of every answer: never cached, never guessed at."""
    return {"cache-control": "no-store", "x-content-type-options": "nosniff", **(extra or {})}
