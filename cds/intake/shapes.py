"""The parts of FHIR R4 resources that Trivet reads, and nothing else.

Each resource is decoded alone from its own bytes, so that a bad one is named and the rest survive. Only members that are
read are listed; the others are skipped by the decoder. A number stays as the bytes that were sent until it is needed, because
3.20 must stay 3.20 and "3.2" in quotes is not a number. None of these types leaves `cds.intake`.
"""

from __future__ import annotations

from typing import Any, Literal, final

import msgspec
from msgspec import Raw, Struct

EMPTY = Raw()


class Coding(Struct, frozen=True, gc=False):
    system: str = ""
    code: str = ""
    display: str = ""


class Concept(Struct, frozen=True, gc=False):
    """Frozen, so that what was found out about one can be kept by its value."""

    coding: tuple[Coding, ...] = ()
    text: str = ""


class Reference(Struct, gc=False):
    reference: str = ""
    display: str = ""
    type: str = ""


class Identifier(Struct, gc=False):
    system: str = ""
    value: str = ""


class Quantity(Struct, gc=False):
    value: Raw = EMPTY
    comparator: str = ""
    unit: str = ""
    system: str = ""
    code: str = ""


class Ratio(Struct, gc=False):
    numerator: Quantity | None = None
    denominator: Quantity | None = None


class Range(Struct, gc=False):
    low: Quantity | None = None
    high: Quantity | None = None


class Period(Struct, gc=False):
    start: str = ""
    end: str = ""


class Meta(Struct, gc=False):
    lastUpdated: str = ""
    versionId: str = ""


class Annotation(Struct, gc=False):
    text: str = ""


class Component(Struct, gc=False):
    code: Concept
    valueQuantity: Quantity | None = None
    valueString: str | None = None
    valueCodeableConcept: Concept | None = None
    valueInteger: Raw = EMPTY
    valueBoolean: Any = None
    valueRange: Any = None
    valueRatio: Any = None
    valueSampledData: Any = None
    valueTime: Any = None
    valueDateTime: Any = None
    valuePeriod: Any = None
    dataAbsentReason: Concept | None = None
    interpretation: tuple[Concept, ...] = ()
    modifierExtension: Any = None


class Resource(Struct, gc=False, tag_field="resourceType"):
    """What every resource has. `implicitRules` and `modifierExtension` change meaning in ways that we do not know."""

    id: str = ""
    meta: Meta | None = None
    implicitRules: Any = None
    modifierExtension: Any = None


class Observation(Resource, gc=False, kw_only=True):
    """What both forms of an Observation share."""

    status: str
    subject: Reference | None = None
    identifier: tuple[Identifier, ...] = ()
    effectiveDateTime: str = ""
    effectiveInstant: str = ""
    effectivePeriod: Period | None = None
    effectiveTiming: Any = None
    issued: str = ""
    valueQuantity: Quantity | None = None
    valueString: str | None = None
    valueCodeableConcept: Concept | None = None
    valueInteger: Raw = EMPTY
    valueBoolean: Any = None
    valueRange: Any = None
    valueRatio: Any = None
    valueSampledData: Any = None
    valueTime: Any = None
    valueDateTime: Any = None
    valuePeriod: Any = None
    dataAbsentReason: Concept | None = None
    interpretation: tuple[Concept, ...] = ()
    note: tuple[Annotation, ...] = ()
    method: Concept | None = None
    device: Reference | None = None
    specimen: Reference | None = None
    component: tuple[Component, ...] = ()
    # Left as bytes: only cultures are asked for their links, and a link that is not readable costs no result.
    hasMember: Raw = EMPTY
    derivedFrom: Raw = EMPTY


@final
class CodedObservation(Observation, gc=False, tag="Observation", kw_only=True):
    code: Concept


@final
class ListedObservation(Observation, gc=False, tag="Observation", kw_only=True):
    """An Observation as it is decoded with its whole list. Its code stays bytes: in a list, a few codes come again and again."""

    code: Raw


class Condition(Resource, gc=False, tag="Condition", kw_only=True):
    clinicalStatus: Concept | None = None
    verificationStatus: Concept | None = None
    category: tuple[Concept, ...] = ()
    code: Concept | None = None
    subject: Reference | None = None
    encounter: Reference | None = None
    onsetDateTime: str = ""
    onsetPeriod: Period | None = None
    abatementDateTime: str = ""
    abatementPeriod: Period | None = None
    abatementString: Any = None
    abatementAge: Any = None
    abatementRange: Any = None
    abatementBoolean: Any = None
    recordedDate: str = ""


class Ingredient(Struct, gc=False):
    itemCodeableConcept: Concept | None = None
    itemReference: Reference | None = None
    isActive: bool | None = None
    strength: Ratio | None = None
    item: Any = None
    modifierExtension: Any = None


class Medication(Resource, gc=False, tag="Medication", kw_only=True):
    code: Concept | None = None
    status: str = ""
    amount: Ratio | None = None
    totalVolume: Any = None
    ingredient: tuple[Ingredient, ...] = ()


class Substance(Resource, gc=False, tag="Substance", kw_only=True):
    code: Concept | None = None


class Repeat(Struct, gc=False):
    boundsPeriod: Period | None = None
    boundsDuration: Quantity | None = None
    boundsRange: Any = None
    count: Raw = EMPTY
    frequency: Raw = EMPTY
    frequencyMax: Raw = EMPTY
    period: Raw = EMPTY
    periodMax: Raw = EMPTY
    periodUnit: str = ""
    duration: Raw = EMPTY
    durationMax: Raw = EMPTY
    durationUnit: str = ""
    timeOfDay: tuple[str, ...] = ()
    dayOfWeek: tuple[str, ...] = ()
    when: tuple[str, ...] = ()


class Timing(Struct, gc=False):
    event: tuple[str, ...] = ()
    repeat: Repeat | None = None
    code: Concept | None = None
    modifierExtension: Any = None


class DoseAndRate(Struct, gc=False):
    type: Concept | None = None
    doseQuantity: Quantity | None = None
    doseRange: Range | None = None
    rateQuantity: Quantity | None = None
    rateRange: Range | None = None
    rateRatio: Ratio | None = None


class Dosage(Struct, gc=False):
    text: str = ""
    additionalInstruction: tuple[Concept, ...] = ()
    patientInstruction: str = ""
    timing: Timing | None = None
    asNeededBoolean: bool | None = None
    asNeededCodeableConcept: Concept | None = None
    site: Concept | None = None
    route: Concept | None = None
    method: Concept | None = None
    doseAndRate: tuple[DoseAndRate, ...] = ()
    modifierExtension: Any = None


class MedicationRequest(Resource, gc=False, tag="MedicationRequest", kw_only=True):
    status: str
    intent: str
    contained: tuple[Raw, ...] = ()
    identifier: tuple[Identifier, ...] = ()
    category: tuple[Concept, ...] = ()
    doNotPerform: bool | None = None
    reportedBoolean: bool | None = None
    reportedReference: Reference | None = None
    medicationCodeableConcept: Concept | None = None
    medicationReference: Reference | None = None
    medication: Any = None
    subject: Reference | None = None
    authoredOn: str = ""
    reasonCode: tuple[Concept, ...] = ()
    reasonReference: tuple[Reference, ...] = ()
    basedOn: tuple[Reference, ...] = ()
    groupIdentifier: Identifier | None = None
    note: tuple[Annotation, ...] = ()
    dosageInstruction: tuple[Dosage, ...] = ()
    priorPrescription: Reference | None = None


class GivenDosage(Struct, gc=False):
    route: Concept | None = None
    dose: Quantity | None = None
    rateQuantity: Quantity | None = None
    rateRatio: Ratio | None = None


class MedicationAdministration(Resource, gc=False, tag="MedicationAdministration", kw_only=True):
    status: str
    dosage: GivenDosage | None = None
    reasonCode: tuple[Concept, ...] = ()
    reasonReference: tuple[Reference, ...] = ()
    contained: tuple[Raw, ...] = ()
    medicationCodeableConcept: Concept | None = None
    medicationReference: Reference | None = None
    medication: Any = None
    subject: Reference | None = None
    request: Reference | None = None
    effectiveDateTime: str = ""
    effectivePeriod: Period | None = None
    occurenceDateTime: Any = None
    occurencePeriod: Any = None
    occurenceTiming: Any = None


class ServiceRequest(Resource, gc=False, tag="ServiceRequest", kw_only=True):
    status: str = ""
    intent: str = ""
    doNotPerform: bool | None = None
    subject: Reference | None = None
    code: Concept | None = None
    authoredOn: str = ""


class Reaction(Struct, gc=False):
    substance: Concept | None = None
    manifestation: tuple[Concept, ...] = ()
    description: str = ""
    severity: str = ""


class AllergyIntolerance(Resource, gc=False, tag="AllergyIntolerance", kw_only=True):
    clinicalStatus: Concept | None = None
    verificationStatus: Concept | None = None
    code: Concept | None = None
    patient: Reference | None = None
    category: Any = None
    criticality: Any = None
    onsetDateTime: str = ""
    recordedDate: str = ""
    reaction: tuple[Reaction, ...] = ()


class Procedure(Resource, gc=False, tag="Procedure", kw_only=True):
    status: str = ""
    code: Concept | None = None
    subject: Reference | None = None
    performedDateTime: str = ""
    performedPeriod: Period | None = None


class DiagnosticReport(Resource, gc=False, tag="DiagnosticReport", kw_only=True):
    status: str = ""
    code: Concept | None = None
    subject: Reference | None = None
    effectiveDateTime: str = ""
    effectivePeriod: Period | None = None
    issued: str = ""
    result: tuple[Reference, ...] = ()
    conclusion: str = ""
    conclusionCode: tuple[Concept, ...] = ()


class Patient(Resource, gc=False, tag="Patient", kw_only=True):
    gender: str = ""
    birthDate: str = ""
    deceasedBoolean: bool | None = None
    deceasedDateTime: str = ""


class Issue(Struct, gc=False):
    severity: str = ""
    code: str = ""


class OperationOutcome(Resource, gc=False, tag="OperationOutcome", kw_only=True):
    issue: tuple[Issue, ...] = ()


Other = (
    Condition
    | MedicationRequest
    | MedicationAdministration
    | Medication
    | Substance
    | ServiceRequest
    | AllergyIntolerance
    | Procedure
    | DiagnosticReport
    | Patient
    | OperationOutcome
)
Read = CodedObservation | Other
RESOURCE: msgspec.json.Decoder[Read] = msgspec.json.Decoder(Read)
TYPES = frozenset(
    (
        "Observation",
        "Condition",
        "MedicationRequest",
        "MedicationAdministration",
        "Medication",
        "Substance",
        "ServiceRequest",
        "AllergyIntolerance",
        "Procedure",
        "DiagnosticReport",
        "Patient",
        "OperationOutcome",
    )
)


class Search(Struct, gc=False):
    mode: str = ""


class Entry(Struct, gc=False):
    resource: Raw = EMPTY
    fullUrl: str = ""
    search: Search | None = None


class Link(Struct, gc=False):
    relation: str = ""


class Bundle(Struct, gc=False):
    """A Bundle with each resource left as the bytes that were sent."""

    resourceType: Literal["Bundle"]
    entry: tuple[Entry, ...] = ()
    link: tuple[Link, ...] = ()
    total: int | None = None


class ReadSearch(Struct, gc=False):
    mode: Literal["", "match", "include", "outcome"] = ""


class ReadEntry(Struct, gc=False):
    resource: ListedObservation | Other
    fullUrl: str = ""
    search: ReadSearch | None = None


class ReadBundle(Struct, gc=False):
    """A Bundle of which every resource is decoded with it. One bad resource makes the whole undecodable: it is then read as a `Bundle`."""

    resourceType: Literal["Bundle"]
    entry: tuple[ReadEntry, ...] = ()
    link: tuple[Link, ...] = ()
    total: int | None = None


BUNDLE: msgspec.json.Decoder[Bundle] = msgspec.json.Decoder(Bundle)
CONCEPT: msgspec.json.Decoder[Concept] = msgspec.json.Decoder(Concept)
READ_BUNDLE: msgspec.json.Decoder[ReadBundle] = msgspec.json.Decoder(ReadBundle)
