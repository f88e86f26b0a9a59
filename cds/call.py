"""Judge one call: the bytes of a request in, the bytes of the answer out. Pure, so that a logged call can be judged again, byte for byte (AU-13, F-41).

Everything that the answer depends on is an argument: the body, `now`, the request id, the memory, the knowledge, the settings.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from cds.advisory import Assessment, Finding
from cds.assess import Knowledge, Population, assess, fires_as
from cds.candidates import Offers, offers
from cds.cards.build import Call, Cards, CardSettings, build
from cds.chart import MINUTE, Chart, Memory, Problem, Trouble
from cds.gaps import UNUSABLE, Item, Quality, quality
from cds.intake import EVALUATE_AT, ITEM_KEYS, PREFETCH, Count, Intake, IntakeSettings, RequestError, read_request, surely_valid, validate
from cds.logic.explain import explain
from cds.logic.flip import Flip, nearest_flip
from cds.logic.scene import Scene
from cds.overviews import Overview, Overviews, checked, overviews, without_broken
from cds.vocabulary import analyte_of

_ENCODER = msgspec.json.Encoder(decimal_format="number")
MOST_CITED = 4


@dataclass(frozen=True, slots=True)
class CallSettings:
    """What the site sets for every call."""

    intake: IntakeSettings
    cards: CardSettings = CardSettings()
    off: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one call, and what the ledger keeps of how it came about. `now` is the time of judgement."""

    status: int
    body: bytes
    outcome: str
    now: int
    intake: Intake | None = None
    codes: Mapping[str, str] = field(default_factory=dict)
    uuids: tuple[str, ...] = ()
    rules: bytes = b""
    by_uuid: Mapping[str, tuple[tuple[str, str, str], ...]] = field(default_factory=dict)
    validated: int = 0


def answer(
    body: bytes,
    *,
    now: int,
    request_id: str,
    memory: Callable[[Intake], Memory] | Memory,
    knowledge: Knowledge,
    settings: CallSettings,
    fetched: Mapping[str, bytes] | None = None,
) -> Answer:
    """Read, judge and answer one request. Never raises for what a client sends: a bad request is an answer too (an OperationOutcome)."""
    try:
        intake = read_request(body, now=now, settings=settings.intake, fetched=fetched or {})
    except RequestError as error:
        return Answer(error.status, refusal(error), "refused", now)
    remembered = memory if isinstance(memory, Memory) else memory(intake)
    return judged(intake, remembered, request_id=request_id, knowledge=knowledge, settings=settings)


def judged(intake: Intake, memory: Memory, *, request_id: str, knowledge: Knowledge, settings: CallSettings) -> Answer:
    """Judge a chart that was read, and build the cards."""
    count = Count()
    chart = _with_draft_faults(intake, count)
    promised = checked(chart, memory, knowledge)
    memory = without_broken(memory, promised)
    assessment = assess(chart, memory, knowledge, off=settings.off)
    offered = offers(chart, assessment, knowledge, tests_ordered=intake.drafted_tests)
    missing = quality(chart, assessment, knowledge)
    views = overviews(chart, assessment, missing, memory, promised, knowledge, settings.off)
    cards = _cards(intake, chart, assessment, offered, missing, views.cards, request_id, knowledge, settings)
    faults = _cited_faults(intake, cards.cited, count)
    if faults:
        missing = replace(missing, items=(*missing.items, *faults))
        views = overviews(chart, assessment, missing, memory, promised, knowledge, settings.off)
        cards = _cards(intake, chart, assessment, offered, missing, views.cards, request_id, knowledge, settings)
    made = Answer(
        200, _ENCODER.encode(cards.body), "answered", chart.now, intake, cards.codes, cards.uuids, _rules(assessment, missing, offered, views),
        cards.by_uuid, count.calls,
    )  # fmt: skip
    if assessment.scene is not None:
        assessment.scene.forget()
    return made


def _cards(
    intake: Intake, chart: Chart, assessment: Assessment, offered: Offers, missing: Quality, views: tuple[Overview, ...], request_id: str,
    knowledge: Knowledge, settings: CallSettings,
) -> Cards:  # fmt: skip
    population = knowledge.population(assessment.population)
    # A draft and the order that it changes may carry one id: a suggestion is about the draft.
    keys = {order.ref: order.raw_key for order in sorted(chart.orders, key=lambda order: order.drafted)}
    made = Call(request_id, intake.envelope.patient_id, intake.envelope.encounter_id or "", lambda ref: intake.raw.get(keys.get(ref, ref)))
    cards = settings.cards if intake.envelope.evaluate_at is None else replace(settings.cards, client_time=True)
    flips = Flips(chart, population, assessment.scene)
    return build(chart, assessment, offered, missing, knowledge, made, flips.of, cards, views)


class Flips:
    """The nearest flip of each finding, worked out on the scene of the assessment."""

    __slots__ = ("_population", "_scene")

    def __init__(self, chart: Chart, population: Population, scene: Scene | None = None) -> None:
        self._population = population
        self._scene = scene or population.scene(chart)

    def of(self, finding: Finding) -> Flip | None:
        """The nearest flip of a finding, against the indicator that its branch has."""
        ready = self._population.by_code[finding.code]
        try:
            return nearest_flip(
                finding.code, finding.why.leaves, finding.branch.indicator, self._scene, finding.why.order,
                lambda scene, order: fires_as(ready, scene, order), ready.edges,
                lambda: ready.flips_among(finding.branch, finding.why.compiled, self._scene, finding.why.order),
            )  # fmt: skip
        except Exception:
            # What would change the answer is a line on the card: for want of it no card is lost (HZ-32).
            return None


def _faults(raw: bytes, resource_type: str, count: Count) -> tuple[str, ...]:
    """What fhir.resources finds wrong with a resource. It need not be asked where the resource keeps to the list of what it never refuses."""
    return () if surely_valid(raw, resource_type) else validate(raw, resource_type, count)


def _with_draft_faults(intake: Intake, count: Count) -> Chart:
    """The chart with what fhir.resources finds wrong with each drafted order, and with each resource that could not be read (F-27)."""
    faults: list[Problem] = []
    for order in intake.chart.orders:
        raw = intake.raw.get(order.raw_key) if order.drafted else None
        if raw is None:
            continue
        for fault in _faults(raw, "MedicationRequest", count)[:2]:
            message = f"{order.label}: not valid FHIR: {fault}"
            faults.append(Problem(Trouble.STRUCTURE, order.ref, order.path, "medications", message))
    return replace(intake.chart, problems=(*intake.chart.problems, *faults)) if faults else intake.chart


def _cited_faults(intake: Intake, cited: tuple[tuple[str, str], ...], count: Count) -> tuple[Item, ...]:
    """What fhir.resources finds wrong with the evidence that the cards cite: the card stays, and says so."""
    found: list[Item] = []
    for path, ref in cited[:MOST_CITED]:
        raw = intake.raw.get(path)
        if raw is None:
            continue
        for fault in _faults(raw, ref.split("/", 1)[0], count)[:1]:
            text = f"{ref} is not valid FHIR ({fault}); the number read from it was used"
            found.append(Item(UNUSABLE, ref, text, Trouble.STRUCTURE.value, "info", ref=ref, path=path))
    return tuple(found)


def _finding_row(finding: Finding) -> dict[str, Any]:
    """One finding for the record: what decided in words with the patient's own numbers, and every datum that was read for it (AU-05, AU-07)."""
    return {
        "branch": finding.branch.name,
        "indicator": finding.indicator,
        "orders": list(finding.orders),
        "inputs": finding.inputs,
        "facts": {name: fact.text for name, fact in finding.facts.items()},
        "because": [line for leaf in finding.why.leaves for line in explain(leaf)],
        "read": [
            {"item": seen.item, "read": seen.text, "resource": seen.ref, "path": seen.path, "at": seen.at and seen.at.latest}
            for seen in finding.seen
            if seen.ref
        ],
    }


def failed(request_id: str, now: int, kind: str, base: str) -> Answer:
    """The answer when the service itself failed: 200 with a card that says so, because errors are not shown at the bedside (C-07, HZ-32).

    `kind` names the sort of error; its text is never repeated, for it may hold what the request held.
    """
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


def refusal(error: RequestError) -> bytes:
    """A FHIR OperationOutcome that names the path in the payload and echoes nothing of it."""
    return operation_outcome(error.code, str(error.message), error.expression)


def operation_outcome(code: str, diagnostics: str, expression: str = "") -> bytes:
    """One error as an OperationOutcome."""
    issue: dict[str, Any] = {"severity": "error", "code": code, "diagnostics": diagnostics}
    if expression:
        issue["expression"] = [expression]
    return msgspec.json.encode({"resourceType": "OperationOutcome", "issue": [issue]})


def _rules(assessment: Assessment, missing: Quality, offered: Offers, views: Overviews) -> bytes:
    """Every rule's result with its reason, for the record (AU-06, AU-07, AU-12)."""
    rows = []
    for verdict in (*assessment.verdicts, *views.verdicts):
        row: dict[str, Any] = {"code": verdict.code, "outcome": verdict.outcome.value}
        if verdict.why:
            row["why"] = verdict.why
        if verdict.gaps:
            row["gaps"] = [{"item": gap.item, "state": gap.state.value, "detail": gap.detail} for gap in verdict.gaps]
        if verdict.findings:
            row["findings"] = [_finding_row(finding) for finding in verdict.findings]
        rows.append(row)
    made: dict[str, Any] = {"population": assessment.population, "age-known": assessment.age_known, "rules": rows}
    if missing.items or missing.gas:
        made["not-judged"] = [
            {"code": i.code, "item": i.item, "state": i.state, "indicator": i.indicator, "text": i.text} for i in (*missing.items, *missing.gas)
        ]
    if offered.dropped:
        made["not-offered"] = [{"label": d.label, "code": d.code, "reason": d.reason} for d in offered.dropped]
    return _ENCODER.encode(made)


_DRAFTS = ("MedicationRequest", "ServiceRequest")
_LISTS = {
    "Condition": "conditions",
    "MedicationRequest": "medications",
    "Medication": "medications",
    "MedicationAdministration": "administrations",
}


def request_of_bundle(bundle: Mapping[str, Any], *, at: str = "") -> dict[str, Any]:
    """A CDS Hooks order-sign request made of a Bundle that holds a chart and drafts, for the command line.

    Requests with status draft become draftOrders; every other resource goes under the prefetch key of its kind. The Bundle counts as complete.
    ValueError when it does not hold exactly one patient with an id.
    """
    entries = bundle.get("entry")
    held = [entry for entry in (entries if isinstance(entries, list) else []) if isinstance(entry, dict) and isinstance(entry.get("resource"), dict)]
    patients = [entry["resource"] for entry in held if entry["resource"].get("resourceType") == "Patient"]
    if len(patients) != 1 or not isinstance(patients[0].get("id"), str):
        raise ValueError("the Bundle must hold exactly one Patient, with an id")
    prefetch: dict[str, Any] = {key: {"resourceType": "Bundle", "type": "searchset", "entry": []} for key in PREFETCH if key != "patient"}
    prefetch["patient"] = patients[0]
    drafts: list[dict[str, Any]] = []
    for entry in held:
        resource = entry["resource"]
        kept = {name: entry[name] for name in ("fullUrl", "resource") if name in entry}
        if resource is patients[0]:
            continue
        if resource.get("resourceType") in _DRAFTS and resource.get("status") == "draft":
            drafts.append(kept)
        else:
            prefetch[_key_of(resource)]["entry"].append(kept)
    made: dict[str, Any] = {
        "hook": "order-sign",
        "hookInstance": "00000000-0000-4000-8000-000000000000",
        "context": {
            "userId": "Practitioner/command-line",
            "patientId": patients[0]["id"],
            "draftOrders": {"resourceType": "Bundle", "type": "collection", "entry": drafts},
        },
        "prefetch": prefetch,
    }
    if at:
        made["extension"] = {EVALUATE_AT: at}
    return made


def _key_of(resource: Mapping[str, Any]) -> str:
    """The prefetch key under which a resource is looked for. A result that no list asks for goes with the vital signs, where it is named or counted."""
    code = resource.get("code")
    codings = code.get("coding") if isinstance(code, dict) else None
    for coding in codings if isinstance(codings, list) else []:
        use = analyte_of(str(coding.get("system")), str(coding.get("code"))) if isinstance(coding, dict) else None
        if use is not None and use.analyte in ITEM_KEYS:
            return ITEM_KEYS[use.analyte][0]
    return _LISTS.get(str(resource.get("resourceType")), "vitals")


__all__ = [
    "MINUTE", "Answer", "CallSettings", "Flips", "answer", "failed", "judged", "notice", "operation_outcome", "refusal", "request_of_bundle",
]  # fmt: skip
