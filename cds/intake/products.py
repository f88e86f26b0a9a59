"""What an order orders: the Medication behind it, its ingredients, their strengths, and which of them we know.

A Medication is looked for inside the order, then in the same Bundle, then in the other lists of the request. One that is
nowhere is named by the reference's display, for a person only, and never computed with.
"""

from __future__ import annotations

from typing import NamedTuple

from msgspec import Raw

from cds.chart import Ingredient, Measure, Problem, Trouble
from cds.intake import shapes
from cds.intake.coding import drugs_in, label_of
from cds.intake.measures import measure
from cds.intake.shapes import Concept, Reference
from cds.numbers import UNBOUNDED

MEDICATIONS = "medications"


class Product(NamedTuple):
    """`refused` is set when the whole order must be set aside, because a part of the product changes its meaning."""

    label: str
    ingredients: tuple[Ingredient, ...]
    volume: Measure | None = None
    texts: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    refused: Problem | None = None

    @property
    def drugs(self) -> tuple[str, ...]:
        """The recognised active ingredients, each once, in the order sent."""
        return tuple(dict.fromkeys([each.drug for each in self.ingredients if each.active and each.drug is not None]))

    @property
    def unrecognised(self) -> tuple[str, ...]:
        """Labels of active ingredients that no table knows."""
        return tuple([each.label for each in self.ingredients if each.active and each.drug is None])


class _Named(NamedTuple):
    label: str
    ingredients: tuple[Ingredient, ...]
    conflict: bool
    known: bool


class Library:
    """The Medications and Substances of one request, by reference and by full address."""

    def __init__(self) -> None:
        self._known: dict[str, shapes.Medication | shapes.Substance] = {}

        self._concepts: dict[Concept, _Named] = {}

    def named(self, concept: Concept) -> _Named:
        """What a concept that names a medication says; found out once a request."""
        found = self._concepts.get(concept)
        if found is None:
            label = label_of(concept, "a medication without a name")
            drugs, conflict = drugs_in(concept)
            codes = _codes(concept)
            parts = tuple(Ingredient(drug, label, codes=codes) for drug in drugs or (None,))
            found = self._concepts[concept] = _Named(label, parts, conflict, bool(drugs))
        return found

    def add(self, resource: shapes.Medication | shapes.Substance, full_url: str) -> None:
        """Keep a resource that an order may refer to. The first one under a name stays."""
        if resource.id:
            self._known.setdefault(f"{type(resource).__name__}/{resource.id}", resource)
        if full_url:
            self._known.setdefault(full_url, resource)

    def find(self, reference: str, contained: tuple[Raw, ...]) -> shapes.Read | None:
        """The resource behind a reference, None when it is not in the request."""
        if reference.startswith("#"):
            for raw in contained:
                try:
                    found = shapes.RESOURCE.decode(raw)
                except (ValueError, RecursionError):
                    continue
                if found.id in (reference, reference[1:]):
                    return found
            return None
        plain = reference.partition("/_history/")[0]
        return self._known.get(plain) or self._known.get("/".join(plain.rsplit("/", 2)[-2:]))


def read_product(
    order: shapes.MedicationRequest | shapes.MedicationAdministration, library: Library, ref: str, path: str
) -> Product:
    """The product of an order. The order has one of medicationCodeableConcept and medicationReference (checked before)."""
    if order.medicationCodeableConcept is not None:
        return _from_concept(order.medicationCodeableConcept, library, ref, path)
    assert order.medicationReference is not None  # noqa: S101 - the caller has checked
    return _from_reference(order.medicationReference, order.contained, library, ref, path)


def _problem(trouble: Trouble, ref: str, path: str, message: str, as_sent: str = "") -> Problem:
    return Problem(trouble, ref, path, MEDICATIONS, message, as_sent)


def _codes(concept: Concept | None) -> tuple[tuple[str, str], ...]:
    return () if concept is None else tuple((c.system, c.code) for c in concept.coding if c.code)


def _from_concept(concept: Concept, library: Library, ref: str, path: str) -> Product:
    label, ingredients, conflict, known = library.named(concept)
    problems = []
    if conflict:
        message = f"{label}: its codes name different drugs; all of them were looked at"
        problems.append(_problem(Trouble.CONFLICT, ref, f"{path}.medicationCodeableConcept", message))
    if not known:
        problems.append(_unknown(label, ref, f"{path}.medicationCodeableConcept"))
    return Product(label, ingredients, None, (concept.text,) if concept.text else (), tuple(problems))


def _unknown(label: str, ref: str, path: str) -> Problem:
    return _problem(Trouble.DRUG_UNKNOWN, ref, path, f"{label}: drug not recognised; no interaction was checked", label)


def _from_reference(reference: Reference, contained: tuple[Raw, ...], library: Library, ref: str, path: str) -> Product:
    where = f"{path}.medicationReference"
    name = " ".join(reference.display.split())[:160]
    found = library.find(reference.reference, contained) if reference.reference else None
    if not isinstance(found, shapes.Medication):
        label = name or "a medication that was not sent"
        problem = _problem(Trouble.REFERENCE, ref, where, f"{label}: the medication that the order refers to was not sent", name)
        return Product(label, (Ingredient(None, label),), problems=(problem,))
    label = label_of(found.code, name or "a medication without a name")
    refused = None
    if found.modifierExtension is not None or found.implicitRules is not None:
        refused = _problem(Trouble.MODIFIER, ref, where, f"{label}: the medication carries a modifier that is not understood")
    elif any(each.modifierExtension is not None for each in found.ingredient):
        refused = _problem(Trouble.MODIFIER, ref, where, f"{label}: an ingredient carries a modifier that is not understood")
    elif found.totalVolume is not None or any(each.item is not None for each in found.ingredient):
        refused = _problem(Trouble.RELEASE, ref, where, f"{label}: the medication is shaped for another FHIR release")
    elif found.status == "entered-in-error":
        refused = _problem(Trouble.STATUS, ref, where, f"{label}: the medication was entered in error")
    drugs, conflict = drugs_in(found.code)
    problems: list[Problem] = []
    if conflict:
        message = f"{label}: its codes name different drugs; all of them were looked at"
        problems.append(_problem(Trouble.CONFLICT, ref, where, message))
    ingredients: list[Ingredient] = []
    texts = [found.code.text] if found.code is not None and found.code.text else []
    for number, each in enumerate(found.ingredient):
        parts, part_texts, troubles = _ingredient(each, contained, library, ref, f"{where}.ingredient[{number}]")
        ingredients += parts
        texts += part_texts
        problems += troubles
    named = {each.drug for each in ingredients}
    codes = _codes(found.code)
    ingredients += [Ingredient(drug, label, codes=codes) for drug in drugs if drug not in named]
    if not any(each.active for each in ingredients):
        ingredients.append(Ingredient(None, label, codes=codes))
        problems.append(_unknown(label, ref, where))
    volume = None if found.amount is None else measure(found.amount.numerator)
    whole = None if found.amount is None else measure(found.amount.denominator, missing_is_one=True)
    if any(each is not None and each.value == UNBOUNDED for each in (volume, whole)):
        problems.append(_problem(Trouble.NOT_UNDERSTOOD, ref, where, f"{label}: the amount was not understood"))
    return Product(label, tuple(ingredients), volume, tuple(texts), tuple(problems), refused)


def _ingredient(
    ingredient: shapes.Ingredient, contained: tuple[Raw, ...], library: Library, ref: str, path: str
) -> tuple[list[Ingredient], list[str], list[Problem]]:
    """The drugs of one ingredient (nearly always one), the texts that may name a diluent, and what was not understood."""
    concept, missing = ingredient.itemCodeableConcept, False
    display = ""
    if concept is None and ingredient.itemReference is not None:
        display = " ".join(ingredient.itemReference.display.split())[:160]
        found = library.find(ingredient.itemReference.reference, contained) if ingredient.itemReference.reference else None
        if isinstance(found, shapes.Medication | shapes.Substance) and found.modifierExtension is None:
            concept = found.code
        missing = concept is None
    label = label_of(concept, display or "an ingredient without a name")
    active = ingredient.isActive is not False
    strength = per = None
    if ingredient.strength is not None:
        strength = measure(ingredient.strength.numerator)
        per = measure(ingredient.strength.denominator, missing_is_one=True)
    drugs, conflict = drugs_in(concept)
    problems = []
    unread = strength is not None and strength.unit is None
    if unread or (per is not None and per.value == UNBOUNDED):
        sent = " per ".join(each.text for each in (strength, per) if each is not None)
        problems.append(_problem(Trouble.NOT_UNDERSTOOD, ref, path, f"{label}: the strength was not understood", sent))
    if concept is None and not missing:
        problems.append(_problem(Trouble.NOT_UNDERSTOOD, ref, path, f"{label}: an ingredient without a name"))
    if missing:
        problems.append(_problem(Trouble.REFERENCE, ref, path, f"{label}: the ingredient that the order refers to was not sent"))
    elif conflict:
        problems.append(_problem(Trouble.CONFLICT, ref, path, f"{label}: its codes name different drugs; all of them were looked at"))
    elif not drugs and active:
        problems.append(_unknown(label, ref, path))
    codes = _codes(concept)
    names: tuple[str | None, ...] = drugs or (None,)
    return [Ingredient(drug, label, active, strength, per, codes) for drug in names], [label], problems
