"""Allergies, procedures, investigations and cultures: read as the rest, and never as "none" where something could not be read."""

from __future__ import annotations

from collections.abc import Iterable

from cds.chart import Allergy, Care, Condition, Culture, Investigation, Moment, Problem, Susceptibility, Trouble
from cds.intake import shapes
from cds.intake.coding import Codes, drugs_in, label_of
from cds.intake.results import ref_of
from cds.intake.times import Times
from cds.vocabulary import CLASSES, DRUGS, culture_of, interpretation_from_text, interpretation_of, susceptibility_of
from cds.vocabulary.care import ALLERGEN_WORDS, ALLERGENS, CARE, INVESTIGATIONS, REACTIONS, SEVERE_WORDS

RANK = ("not allergy", "mild", "unknown", "severe delayed", "severe immediate")
_ENDED = frozenset(("inactive", "resolved"))
_WRONG = frozenset(("refuted", "entered-in-error"))
_NOT_DONE = frozenset(("not-done", "entered-in-error", "preparation"))
_NOT_ORDERED = frozenset(("revoked", "entered-in-error"))
_PARTLY = frozenset(("registered", "preliminary", "partial"))
_USABLE = frozenset(("registered", "preliminary", "partial", "final", "amended", "corrected", "appended"))
_NOTHING_GREW = ("no growth", "sterile", "negative", "not detected", "no organism")
_MIXED = ("mixed growth", "mixed flora", "mixed organisms", "doubtful significance")
_CONTAMINATED = ("contamina", "skin flora")
_ESBL = ("esbl", "extended-spectrum", "extended spectrum")
_CARBAPENEMASE = ("carbapenemase", "kpc", "ndm-", "oxa-48", "cpe ")
_SCREENING = ("screen", "swab", "colonis", "coloniz", "rectal")


# Allergies -------------------------------------------------------------------------------------------------------------------------------


def read_allergy(sent: shapes.AllergyIntolerance, path: str, times: Times) -> Allergy | Problem:
    """One allergy, or why it was set aside. What cannot be told of its reaction is "unknown", never "not allergy"."""
    ref = ref_of("AllergyIntolerance", sent.id)
    label = label_of(sent.code, "an allergy without a name")
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return Problem(Trouble.MODIFIER, ref, path, "allergies", f"{label}: it carries a modifier that is not understood")
    drugs, classes = _allergens((sent.code, *(each.substance for each in sent.reaction)))
    clinical, verification = _codes(sent.clinicalStatus), _codes(sent.verificationStatus)
    text = sent.recordedDate or sent.onsetDateTime
    return Allergy(
        ref if sent.id else path, drugs, classes, _group(sent), label, times.read(text) if text else None,
        stands=not (clinical & _ENDED or verification & _WRONG), path=path,
    )  # fmt: skip


def allergy_of(condition: Condition) -> Allergy | None:
    """An allergy to penicillin that stands on the list of conditions: its reaction is not known."""
    if "penicillin_allergy" not in condition.concepts:
        return None
    return Allergy(condition.ref, (), ("penicillin",), "unknown", condition.label, condition.recorded, condition.active, condition.path)


def _allergens(concepts: Iterable[shapes.Concept | None]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The drugs and classes that are named; a drug brings its classes. Words are asked only where no code tells."""
    drugs: dict[str, None] = {}
    classes: dict[str, None] = {}
    for concept in concepts:
        if concept is None:
            continue
        found, _ = drugs_in(concept)
        drugs.update(dict.fromkeys(name for name in found if name in DRUGS))
        for each in concept.coding:
            classes.update(dict.fromkeys(ALLERGENS.get((each.system, each.code), ())))
        classes.update(dict.fromkeys(name for drug in found if drug in DRUGS for name in sorted(DRUGS[drug].classes)))
        classes.update(dict.fromkeys(name for name in found if name in CLASSES))
        if not found and not classes:
            words = " ".join((concept.text, *(each.display for each in concept.coding))).lower()
            classes.update(dict.fromkeys(name for word, name in ALLERGEN_WORDS.items() if word in words))
    return tuple(drugs), tuple(classes)


def _group(sent: shapes.AllergyIntolerance) -> str:
    """The gravest group of the reactions. Without one that is understood it is unknown; a reaction called severe is never mild."""
    groups: list[str] = []
    for reaction in sent.reaction:
        known = [REACTIONS.get((each.system, each.code)) for one in reaction.manifestation for each in one.coding]
        words = " ".join((reaction.description, *(one.text for one in reaction.manifestation), *(c.display for one in reaction.manifestation for c in one.coding)))
        found = [group for group in known if group is not None]
        found += [group for word, group in SEVERE_WORDS.items() if word in words.lower()]
        group = max(found, key=RANK.index, default="unknown")
        if reaction.severity == "severe" and RANK.index(group) < RANK.index("unknown"):
            group = "unknown"
        groups.append(group)
    return max(groups, key=RANK.index, default="unknown")


# Procedures, devices, investigations -----------------------------------------------------------------------------------------------------


def read_care(sent: shapes.Procedure, path: str, times: Times) -> Care | Problem | None:
    """A procedure, why it was set aside, or None where no rule reads it."""
    ref, concept = ref_of("Procedure", sent.id), sent.code
    label = label_of(concept, "a procedure")
    concepts = tuple(dict.fromkeys(CARE[key] for each in (concept.coding if concept is not None else ()) if (key := (each.system, each.code)) in CARE))
    if not concepts:
        return None
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return Problem(Trouble.MODIFIER, ref, path, "procedures", f"{label}: it carries a modifier that is not understood")
    if sent.status in _NOT_DONE or not sent.status:
        return None if sent.status else Problem(Trouble.STATUS, ref, path, "procedures", f"{label}: it has no status")
    period = sent.performedPeriod
    start_text = sent.performedDateTime or ("" if period is None else period.start)
    end_text = "" if period is None else period.end
    return Care(ref if sent.id else path, concepts, sent.status, label, _moment(start_text, times), _moment(end_text, times), path)


def read_investigation(sent: shapes.ServiceRequest, path: str, codes: Codes, times: Times, *, drafted: bool) -> Investigation | None:
    """A test that was ordered; None where it names nothing that a rule reads, or does not stand."""
    if sent.code is None or sent.doNotPerform is True or sent.status in _NOT_ORDERED:
        return None
    use = codes.measured(sent.code)
    items: dict[str, None] = dict.fromkeys(() if use is None else use.analytes)
    for each in sent.code.coding:
        word = INVESTIGATIONS.get((each.system, each.code))
        kind = culture_of(each.system, each.code)
        items.update(dict.fromkeys(found for found in (word, None if kind is None else f"{kind}_culture") if found is not None))
    if not items:
        return None
    ref = ref_of("ServiceRequest", sent.id)
    return Investigation(ref if sent.id else path, tuple(items), drafted, sent.status, label_of(sent.code, "a test"), _moment(sent.authoredOn, times), path)


# Cultures --------------------------------------------------------------------------------------------------------------------------------


def read_cultures(sent: shapes.Observation, code: shapes.Concept, path: str, times: Times) -> tuple[list[Culture | Susceptibility], list[Problem]]:
    """What one Observation says of growth and of susceptibilities, in itself or in its components."""
    ref = ref_of("Observation", sent.id)
    if sent.status not in _USABLE:
        return [], []
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return [], [Problem(Trouble.MODIFIER, ref, path, "cultures", f"{label_of(code, 'a culture')}: it carries a modifier that is not understood")]
    text = sent.effectiveDateTime or sent.effectiveInstant or ("" if sent.effectivePeriod is None else sent.effectivePeriod.start)
    at = _moment(text, times)
    preliminary = sent.status in _PARTLY
    kind = next((one for each in code.coding if (one := culture_of(each.system, each.code)) is not None), None)
    value = _said(sent.valueCodeableConcept, sent.valueString)
    words = f"{label_of(code)} {value} {' '.join(note.text for note in sent.note)}".lower()
    screening = any(word in words for word in _SCREENING)
    found: list[Culture | Susceptibility] = []
    problems: list[Problem] = []
    name = ref if sent.id else path
    if kind is not None:
        grown = _growth(sent, value)
        organisms = (value,) if grown in ("positive", "mixed") and value else ()
        found.append(Culture(name, kind, grown, label_of(code, "a culture"), organisms, at, not preliminary, path))
        for marker, marks in (("esbl", _ESBL), ("carbapenemase", _CARBAPENEMASE)):
            if any(mark in words for mark in marks) and not any(f"no {mark}" in words or f"{mark} negative" in words for mark in marks):
                found.append(Susceptibility(name, marker, "R", marker.upper(), value, kind, at, preliminary, screening, path))
    parts: list[tuple[shapes.Concept, shapes.Concept | None, str | None, tuple[shapes.Concept, ...], bool]] = [
        (code, sent.valueCodeableConcept, sent.valueString, sent.interpretation, sent.valueQuantity is not None)
    ]
    parts += [(each.code, each.valueCodeableConcept, each.valueString, each.interpretation, each.valueQuantity is not None) for each in sent.component]
    for concept, coded, string, interpretation, measured in parts:
        drug = next((one for each in concept.coding if (one := susceptibility_of(each.system, each.code)) is not None), None)
        if drug is None:
            continue
        result = _susceptible(coded, string, interpretation)
        if result is None:
            why = "a concentration without an interpretation is not judged" if measured else "its result is not understood"
            problems.append(Problem(Trouble.NOT_UNDERSTOOD, ref, path, "cultures", f"{label_of(concept, drug)}: {why}"))
            continue
        found.append(Susceptibility(name, drug, result, label_of(concept, drug), value if kind is not None else "", kind or "other", at, preliminary, screening, path))
    return found, problems


def _susceptible(coded: shapes.Concept | None, string: str | None, interpretation: tuple[shapes.Concept, ...]) -> str | None:
    """S, I or R: the interpretation first, else the coded answer, else a text that says nothing else."""
    for concept in (*interpretation, *(() if coded is None else (coded,))):
        for each in concept.coding:
            found = interpretation_of(each.system, each.code)
            if found is not None:
                return found
        if not concept.coding and concept.text:
            found = interpretation_from_text(concept.text)
            if found is not None:
                return found
    return interpretation_from_text(string) if string else None


def _growth(sent: shapes.Observation, value: str) -> str:
    """What a culture shows. Without a value it is pending while it is not final; a final one without a value is pending too: nothing was said."""
    codes = {each.code for concept in sent.interpretation for each in concept.coding}
    words = value.lower()
    if any(word in words for word in _CONTAMINATED):
        return "contaminated"
    if any(word in words for word in _MIXED):
        return "mixed"
    if "NEG" in codes or any(words.startswith(word) or word in words for word in _NOTHING_GREW):
        return "negative"
    if "POS" in codes or value:
        return "positive"
    return "pending"


def _said(coded: shapes.Concept | None, string: str | None) -> str:
    return label_of(coded) if coded is not None else " ".join((string or "").split())[:160]


def _moment(text: str, times: Times) -> Moment | None:
    return times.read(text) if text else None


def _codes(concept: shapes.Concept | None) -> frozenset[str]:
    return frozenset() if concept is None else frozenset(each.code for each in concept.coding)
