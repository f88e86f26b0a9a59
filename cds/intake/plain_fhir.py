"""Resources of which it is certain, without asking, that fhir.resources finds nothing wrong with them.

A closed list of members with closed forms, narrower than FHIR everywhere: whoever keeps to it is valid. Nearly every draft and every cited result does; whatever
does not is no fault, but is handed to fhir.resources (`cds.intake.validation`), which costs thirty times as much. A test asks fhir.resources about mutated
resources and finds none that is certain here and refused there.
"""

from __future__ import annotations

import re
from typing import Annotated, final

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

_DAY = r"(?:19|20)[0-9]{2}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)|(?:0[13578]|1[02])-31)"
_CLOCK = r"T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]{1,6})?(?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9])"

# A text holds something visible and no control character; a code and an address are words of visible ASCII.
Text = Annotated[str, Meta(pattern=r"\A(?=[^!-~]*[!-~])[^\x00-\x1f]*\Z", max_length=4_000)]
Code = Annotated[str, Meta(pattern=r"\A[!-~]+(?: [!-~]+)*\Z", max_length=200)]
Uri = Annotated[str, Meta(pattern=r"\A[!-~]+\Z", max_length=500)]
Id = Annotated[str, Meta(pattern=r"\A[A-Za-z0-9.-]{1,64}\Z")]
When = Annotated[str, Meta(pattern=rf"\A(?:{_DAY}(?:{_CLOCK})?|(?:19|20)[0-9]{{2}}(?:-(?:0[1-9]|1[0-2]))?)\Z")]
Instant = Annotated[str, Meta(pattern=rf"\A{_DAY}{_CLOCK}\Z")]
Amount = Annotated[float, Meta(ge=-1e9, le=1e9)]
Positive = Annotated[int, Meta(ge=1, le=2_147_483_647)]


# A number with an exponent may be too small to be read as a float, or too far out for a Decimal.
_EXPONENT = re.compile(rb"[0-9][eE][+-]?[0-9]+[\s,}\]]")


class _Part(Struct, forbid_unknown_fields=True, gc=False):
    """No member beside those that are listed, and none of them null."""


class Coding(_Part, gc=False):
    code: Code
    system: Uri | UnsetType = UNSET
    display: Text | UnsetType = UNSET


class Concept(_Part, gc=False):
    coding: Annotated[list[Coding], Meta(min_length=1)] | UnsetType = UNSET
    text: Text | UnsetType = UNSET


class Reference(_Part, gc=False):
    reference: Uri
    display: Text | UnsetType = UNSET


class Described(_Part, gc=False):
    """A reference by its words alone."""

    display: Text
    reference: Uri | UnsetType = UNSET


class Quantity(_Part, gc=False):
    value: Amount
    unit: Text | UnsetType = UNSET
    system: Uri | UnsetType = UNSET
    code: Code | UnsetType = UNSET


class Ratio(_Part, gc=False):
    numerator: Quantity
    denominator: Quantity


class Period(_Part, gc=False):
    start: When
    end: When | UnsetType = UNSET


class Identifier(_Part, gc=False):
    value: Text
    system: Uri | UnsetType = UNSET


class Note(_Part, gc=False):
    text: Text


Concepts = Annotated[list[Concept], Meta(min_length=1)]
Identifiers = Annotated[list[Identifier], Meta(min_length=1)]
Notes = Annotated[list[Note], Meta(min_length=1)]


class Component(_Part, gc=False):
    code: Concept
    valueQuantity: Quantity
    interpretation: Concepts | UnsetType = UNSET


@final
class Observation(_Part, tag_field="resourceType", gc=False, kw_only=True):
    status: Code
    code: Concept
    effectiveDateTime: When
    subject: Reference
    id: Id | UnsetType = UNSET
    valueQuantity: Quantity | UnsetType = UNSET
    category: Concepts | UnsetType = UNSET
    encounter: Reference | UnsetType = UNSET
    issued: Instant | UnsetType = UNSET
    identifier: Identifiers | UnsetType = UNSET
    interpretation: Concepts | UnsetType = UNSET
    note: Notes | UnsetType = UNSET
    method: Concept | UnsetType = UNSET
    specimen: Described | UnsetType = UNSET
    component: Annotated[list[Component], Meta(min_length=1)] | UnsetType = UNSET


@final
class Condition(_Part, tag_field="resourceType", gc=False, kw_only=True):
    code: Concept
    subject: Reference
    clinicalStatus: Concept
    id: Id | UnsetType = UNSET
    verificationStatus: Concept | UnsetType = UNSET
    category: Concepts | UnsetType = UNSET
    encounter: Reference | UnsetType = UNSET
    onsetDateTime: When | UnsetType = UNSET
    abatementDateTime: When | UnsetType = UNSET
    recordedDate: When | UnsetType = UNSET


class Ingredient(_Part, gc=False):
    itemCodeableConcept: Concept
    strength: Ratio | UnsetType = UNSET
    isActive: bool | UnsetType = UNSET


@final
class Medication(_Part, tag_field="resourceType", gc=False, kw_only=True):
    id: Id
    code: Concept | UnsetType = UNSET
    amount: Ratio | UnsetType = UNSET
    ingredient: Annotated[list[Ingredient], Meta(min_length=1)] | UnsetType = UNSET


class Repeat(_Part, gc=False):
    frequency: Positive | UnsetType = UNSET
    period: Amount | UnsetType = UNSET
    periodUnit: Code | UnsetType = UNSET
    duration: Amount | UnsetType = UNSET
    durationUnit: Code | UnsetType = UNSET
    boundsPeriod: Period | UnsetType = UNSET


class Timing(_Part, gc=False):
    repeat: Repeat


class Rate(_Part, gc=False):
    """One dose; its rate as a quantity or as a ratio, never both."""

    doseQuantity: Quantity | UnsetType = UNSET
    rateQuantity: Quantity | UnsetType = UNSET
    rateRatio: Ratio | UnsetType = UNSET

    def __post_init__(self) -> None:
        if self.rateQuantity is not UNSET and self.rateRatio is not UNSET:
            raise ValueError("two rates")


class Dosage(_Part, gc=False):
    text: Text | UnsetType = UNSET
    route: Concept | UnsetType = UNSET
    timing: Timing | UnsetType = UNSET
    asNeededBoolean: bool | UnsetType = UNSET
    doseAndRate: Annotated[list[Rate], Meta(min_length=1)] | UnsetType = UNSET


@final
class MedicationRequest(_Part, tag_field="resourceType", gc=False, kw_only=True):
    status: Code
    intent: Code
    subject: Reference
    id: Id | UnsetType = UNSET
    medicationCodeableConcept: Concept | UnsetType = UNSET
    medicationReference: Reference | UnsetType = UNSET
    # Of two kinds, because only then a resource must say which it is.
    contained: Annotated[list[Medication | Observation], Meta(min_length=1)] | UnsetType = UNSET
    category: Concepts | UnsetType = UNSET
    encounter: Reference | UnsetType = UNSET
    authoredOn: When | UnsetType = UNSET
    requester: Reference | UnsetType = UNSET
    reasonCode: Concepts | UnsetType = UNSET
    statusReason: Concept | UnsetType = UNSET
    identifier: Identifiers | UnsetType = UNSET
    note: Notes | UnsetType = UNSET
    dosageInstruction: Annotated[list[Dosage], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        if (self.medicationCodeableConcept is UNSET) == (self.medicationReference is UNSET):
            raise ValueError("one medication")


_DECODER = msgspec.json.Decoder(Observation | Condition | MedicationRequest)


def surely_valid(raw: bytes, resource_type: str) -> bool:
    """Whether the resource keeps to the closed list, so that fhir.resources need not be asked. False says nothing against it. Never raises."""
    if _EXPONENT.search(raw):
        return False
    try:
        return type(_DECODER.decode(raw)).__name__ == resource_type
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return False
