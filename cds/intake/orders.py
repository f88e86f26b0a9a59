"""MedicationRequest and MedicationAdministration to orders and administrations: parsed, not interpreted.

Whether an order runs, what replaces what, and how much of a substance it gives is decided in `cds.orders`.
"""

from __future__ import annotations

from typing import NamedTuple

from cds.chart import Administration, Condition, Measure, Moment, Order, Problem, Trouble
from cds.intake import shapes
from cds.intake.coding import concepts_in
from cds.intake.dosages import Words, dosage_times, read_dosage
from cds.intake.measures import measure
from cds.intake.products import Library, read_product
from cds.intake.results import ref_of
from cds.intake.subjects import Whose
from cds.intake.times import Times
from cds.vocabulary import route_of

MEDICATIONS = "medications"
STATUSES = frozenset(
    ("active", "on-hold", "cancelled", "completed", "entered-in-error", "stopped", "draft", "unknown")
)
INTENTS = frozenset(
    ("proposal", "plan", "order", "original-order", "reflex-order", "filler-order", "instance-order", "option")
)
GIVEN_STATUSES = frozenset(
    ("in-progress", "not-done", "on-hold", "completed", "entered-in-error", "stopped", "unknown")
)
CATEGORY = "http://terminology.hl7.org/CodeSystem/medicationrequest-category"


class Place(NamedTuple):
    """Where an order stood: payload path, and whether it was about to be signed."""

    path: str
    drafted: bool
    selected: bool = True


def order_times(order: shapes.MedicationRequest) -> tuple[str, ...]:
    """Every time that an order states."""
    return (order.authoredOn, *(text for each in order.dosageInstruction for text in dosage_times(each)))


def tail(reference: str) -> str:
    """`Type/id` of a relative or absolute reference, without a version; other references as they are."""
    plain = reference.partition("/_history/")[0]
    return "/".join(plain.rsplit("/", 2)[-2:]) if "/" in plain else plain


def read_order(
    order: shapes.MedicationRequest,
    place: Place,
    whose: Whose,
    library: Library,
    conditions: dict[str, Condition],
    times: Times,
    words: Words,
) -> Order | Problem:
    """One order, or why it was set aside as a whole. The subject is already known not to be another patient."""
    ref = ref_of("MedicationRequest", order.id)
    refused = _refused(order, ref, place, whose)
    if refused is not None:
        return refused
    product = read_product(order, library, ref, place.path)
    if product.refused is not None:
        return product.refused
    problems = list(product.problems)
    if whose is Whose.NOBODY:
        message = f"{product.label}: the order names no patient and was taken as this patient's"
        problems.append(Problem(Trouble.NO_SUBJECT, ref, f"{place.path}.subject", MEDICATIONS, message))
    texts = (*product.texts, *[note.text for note in order.note]) if order.note else product.texts
    dosages = tuple([read_dosage(each, texts, times, words) for each in order.dosageInstruction])
    authored = times.read(order.authoredOn) if order.authoredOn else None
    if order.authoredOn and authored is None:
        message = f"{product.label}: the time of the order is not readable"
        problems.append(Problem(Trouble.TIME_UNREADABLE, ref, f"{place.path}.authoredOn", MEDICATIONS, message))
    for number, each in enumerate(dosages):
        for part in each.not_understood:
            message = f"{product.label}: the {part} of the order was not understood"
            where = f"{place.path}.dosageInstruction[{number}]"
            problems.append(Problem(Trouble.NOT_UNDERSTOOD, ref, where, MEDICATIONS, message, _said(each, part)))
    group = order.groupIdentifier
    return Order(
        ref=ref if order.id else place.path,
        drafted=place.drafted,
        status=order.status,
        intent=order.intent,
        label=product.label,
        drugs=product.drugs,
        ingredients=product.ingredients,
        dosages=dosages,
        unrecognised=product.unrecognised,
        volume=product.volume,
        selected=place.selected,
        do_not_perform=order.doNotPerform is True,
        reported=order.reportedBoolean is True or order.reportedReference is not None,
        community=_community(order.category),
        authored=authored,
        prior=tail(order.priorPrescription.reference) or None if order.priorPrescription is not None else None,
        based_on=tuple([tail(each.reference) for each in order.basedOn if each.reference]),
        group=f"{group.system}|{group.value}" if group is not None and group.value else None,
        identifiers=tuple([f"{each.system}|{each.value}" for each in order.identifier if each.value]),
        reasons=_reasons(order.reasonCode, order.reasonReference, conditions),
        reason_stated=bool(order.reasonCode or order.reasonReference),
        problems=tuple(problems),
        path=place.path,
        raw_key=place.path,
    )


def _community(category: tuple[shapes.Concept, ...]) -> bool:
    for each in category:
        for coding in each.coding:
            if coding.code == "community" and coding.system in (CATEGORY, ""):
                return True
    return False


def _said(dosage: object, part: str) -> str:
    found = getattr(dosage, part, None) if part in ("dose", "rate") else None
    return found.text if found is not None else ""


def _refused(order: shapes.MedicationRequest, ref: str, place: Place, whose: Whose) -> Problem | None:
    """Why a MedicationRequest as a whole cannot be used, or None."""

    def problem(trouble: Trouble, message: str, member: str = "") -> Problem:
        return Problem(trouble, ref, f"{place.path}.{member}" if member else place.path, MEDICATIONS, message)

    if order.medication is not None:
        return problem(Trouble.RELEASE, "the order is shaped for another FHIR release than R4", "medication")
    if order.modifierExtension is not None or order.implicitRules is not None:
        return problem(Trouble.MODIFIER, "the order carries a modifier that is not understood")
    for each in order.dosageInstruction:
        if each.modifierExtension is not None or (each.timing is not None and each.timing.modifierExtension is not None):
            return problem(Trouble.MODIFIER, "the dosage carries a modifier that is not understood", "dosageInstruction")
        if each.asNeededBoolean is not None and each.asNeededCodeableConcept is not None:
            return problem(Trouble.STRUCTURE, "the dosage says twice whether it is given as needed", "dosageInstruction")
    if order.status not in STATUSES:
        return problem(Trouble.STATUS, "the status of the order is not one that FHIR knows", "status")
    if order.intent not in INTENTS:
        return problem(Trouble.STATUS, "the intent of the order is not one that FHIR knows", "intent")
    forms = (order.medicationCodeableConcept is not None) + (order.medicationReference is not None)
    if forms != 1:
        message = "the order names two medications where FHIR allows one" if forms else "the order names no medication"
        return problem(Trouble.STRUCTURE, message)
    if order.reportedBoolean is not None and order.reportedReference is not None:
        return problem(Trouble.STRUCTURE, "the order says twice whether it was reported")
    if whose is Whose.NOBODY and not place.drafted:
        return problem(Trouble.NO_SUBJECT, "the order names no patient", "subject")
    return None


def read_administration(
    given: shapes.MedicationAdministration, path: str, whose: Whose, library: Library, conditions: dict[str, Condition], times: Times
) -> Administration | Problem:
    """One administration, or why it was set aside."""
    ref = ref_of("MedicationAdministration", given.id)

    def problem(trouble: Trouble, message: str) -> Problem:
        return Problem(trouble, ref, path, "administrations", message)

    if any(each is not None for each in (given.medication, given.occurenceDateTime, given.occurencePeriod, given.occurenceTiming)):
        return problem(Trouble.RELEASE, "the administration is shaped for another FHIR release than R4")
    if given.modifierExtension is not None or given.implicitRules is not None:
        return problem(Trouble.MODIFIER, "the administration carries a modifier that is not understood")
    if given.status not in GIVEN_STATUSES:
        return problem(Trouble.STATUS, "the status of the administration is not one that FHIR knows")
    if (given.medicationCodeableConcept is None) == (given.medicationReference is None):
        return problem(Trouble.STRUCTURE, "the administration does not name exactly one medication")
    if bool(given.effectiveDateTime) and given.effectivePeriod is not None:
        return problem(Trouble.STRUCTURE, "two times where FHIR allows one")
    if whose is Whose.NOBODY:
        return problem(Trouble.NO_SUBJECT, "the administration names no patient")
    product = read_product(given, library, ref, path)
    if product.refused is not None:
        return problem(product.refused.trouble, product.refused.message)
    period = given.effectivePeriod
    start_text = given.effectiveDateTime or ("" if period is None else period.start)
    end_text = "" if period is None else period.end
    moments: list[Moment | None] = [times.read(text) if text else None for text in (start_text, end_text)]
    if any(text and moment is None for text, moment in zip((start_text, end_text), moments, strict=True)):
        return problem(Trouble.TIME_UNREADABLE, "the time of the administration is not readable")
    rate, per = _given_rate(given.dosage)
    return Administration(
        ref=ref,
        order=tail(given.request.reference) or None if given.request is not None else None,
        status=given.status,
        drugs=product.drugs,
        start=moments[0],
        end=moments[1],
        label=product.label,
        dose=None if given.dosage is None else measure(given.dosage.dose),
        route=None if given.dosage is None else _route(given.dosage.route),
        reasons=_reasons(given.reasonCode, given.reasonReference, conditions),
        rate=rate,
        rate_per=per,
    )


def _given_rate(dosage: shapes.GivenDosage | None) -> tuple[Measure | None, Measure | None]:
    """The rate and what it is per. Two rates, or half of one, are none: nothing is computed with them."""
    if dosage is None or (dosage.rateQuantity is not None and dosage.rateRatio is not None):
        return None, None
    if dosage.rateRatio is None:
        return measure(dosage.rateQuantity), None
    top, bottom = measure(dosage.rateRatio.numerator), measure(dosage.rateRatio.denominator, missing_is_one=True)
    return (None, None) if top is None or bottom is None else (top, bottom)


def _reasons(codes: tuple[shapes.Concept, ...], references: tuple[shapes.Reference, ...], conditions: dict[str, Condition]) -> tuple[str, ...]:
    """The diagnoses for which something is ordered or given, by our names: of its codes, and of the conditions that it refers to."""
    reasons: dict[str, None] = {}
    for concept in codes:
        reasons.update(dict.fromkeys(concepts_in(concept, current=True)))
    for reference in references:
        known = conditions.get(tail(reference.reference))
        reasons.update(dict.fromkeys(known.concepts if known is not None else ()))
    return tuple(reasons)


def _route(concept: shapes.Concept | None) -> str | None:
    """The kind of route that a code names."""
    if concept is None:
        return None
    return next((found.kind for each in concept.coding if (found := route_of(each.system, each.code)) is not None), None)
