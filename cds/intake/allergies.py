"""Allergies: to what, and how grave the reaction was. What cannot be told is "unknown" and never "not allergy"; an empty list is no "none known"."""

from __future__ import annotations

import re
from collections.abc import Iterable

from cds.chart import Allergy, Condition, Problem, Trouble
from cds.intake import shapes
from cds.intake.coding import drugs_in, label_of
from cds.intake.results import ref_of
from cds.intake.times import Times
from cds.intake.words import Spoken
from cds.vocabulary import CLASSES, DRUGS
from cds.vocabulary.care import ALLERGEN_WORDS, ALLERGENS, DRUG_WORDS, NO_INFORMATION, NONE_KNOWN, REACTIONS, SEVERE_WORDS

RANK = ("not allergy", "mild", "unknown", "severe delayed", "severe immediate")
_UNKNOWN = RANK.index("unknown")
CLINICAL_SYSTEM = "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"
VERIFICATION_SYSTEM = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
_ENDED = frozenset(("inactive", "resolved"))
_WRONG = frozenset(("refuted", "entered-in-error"))
_NO_MEDICINE = frozenset(("food", "environment"))
_TOKENS = re.compile(r"[a-zà-ÿ][a-zà-ÿ-]{3,}")
# "No known drug allergies", "NKDA": not an allergy, and in words no statement that there is none.
_NONE_IN_WORDS = re.compile(r"\s*(?:no known|nil known|none known|not known|nkda\b|nka\b|no (?:drug )?allerg)", re.IGNORECASE)
_SPOKEN = {group: Spoken(word for word, of in SEVERE_WORDS.items() if of == group) for group in ("severe immediate", "severe delayed")}


def _by_name() -> dict[str, tuple[str, ...]]:
    """Words that name one drug: its label where that is a single word, and other spellings."""
    found = {drug.label.lower(): (name,) for name, drug in DRUGS.items() if _TOKENS.fullmatch(drug.label.lower())}
    return {**found, **DRUG_WORDS}


_DRUG_NAMES = _by_name()


def read_allergy(sent: shapes.AllergyIntolerance, path: str, times: Times) -> tuple[Allergy | None, Problem | None, bool]:
    """The allergy, what was not understood of it, and whether it says anything of the list: any entry does that was not made in error.

    No allergy: a statement that none is known, or one that was set aside. An allergy whose substance nobody can tell is kept and named.
    """
    ref = ref_of("AllergyIntolerance", sent.id)
    label = label_of(sent.code, "an allergy without a name")

    def problem(trouble: Trouble, message: str) -> Problem:
        return Problem(trouble, ref, path, "allergies", f"{label}: {message}")

    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return None, problem(Trouble.MODIFIER, "it carries a modifier that is not understood"), False
    clinical, verification = _status(sent.clinicalStatus, CLINICAL_SYSTEM), _status(sent.verificationStatus, VERIFICATION_SYSTEM)
    if "entered-in-error" in verification:
        return None, None, False
    stands = not (clinical & _ENDED or verification & _WRONG)
    coding = () if sent.code is None else sent.code.coding
    if any((each.system, each.code) in NONE_KNOWN for each in coding):
        return None, None, stands
    if _NONE_IN_WORDS.match(label) or any((each.system, each.code) == NO_INFORMATION for each in coding):
        return None, None, False
    concepts = tuple(each for each in (sent.code, *(one.substance for one in sent.reaction)) if each is not None)
    drugs, classes = _allergens(concepts)
    text = sent.recordedDate or sent.onsetDateTime
    found = Allergy(ref if sent.id else path, drugs, classes, _group(sent), label, times.read(text) if text else None, stands=stands, path=path)
    if stands and not (drugs or classes) and not _surely_something_else(sent, concepts):
        return found, problem(Trouble.NOT_UNDERSTOOD, "what the allergy is to was not understood"), True
    return found, None, True


def allergy_of(condition: Condition) -> Allergy | None:
    """An allergy to penicillin that stands on the list of conditions: its reaction is not known."""
    if "penicillin_allergy" not in condition.concepts:
        return None
    return Allergy(condition.ref, (), ("penicillin",), "unknown", condition.label, condition.recorded, condition.active, condition.path)


def _allergens(concepts: Iterable[shapes.Concept]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The drugs and classes that are named; a drug brings its classes. Words are asked only where no code of a concept tells."""
    drugs: dict[str, None] = {}
    classes: dict[str, None] = {}
    for concept in concepts:
        named, _ = drugs_in(concept)
        groups = [name for each in concept.coding for name in ALLERGENS.get((each.system, each.code), ())]
        if not named and not groups:
            named, groups = _in_words(concept)
        drugs.update(dict.fromkeys(name for name in named if name in DRUGS))
        classes.update(dict.fromkeys(groups))
        classes.update(dict.fromkeys(name for drug in named if drug in DRUGS for name in sorted(DRUGS[drug].classes)))
        classes.update(dict.fromkeys(name for name in named if name in CLASSES))
    return tuple(drugs), tuple(classes)


def _in_words(concept: shapes.Concept) -> tuple[tuple[str, ...], list[str]]:
    tokens = dict.fromkeys(_TOKENS.findall(" ".join((concept.text, *(each.display for each in concept.coding))).lower()))
    drugs = tuple(dict.fromkeys(name for token in tokens for name in _DRUG_NAMES.get(token, ())))
    return drugs, [name for token in tokens if token not in _DRUG_NAMES for word, name in ALLERGEN_WORDS.items() if word in token]


def _surely_something_else(sent: shapes.AllergyIntolerance, concepts: tuple[shapes.Concept, ...]) -> bool:
    """Whether it is no medicine of ours: by its category, or by a code with a name. Words alone leave it open."""
    category = sent.category if isinstance(sent.category, list) else []
    if category and all(isinstance(each, str) and each in _NO_MEDICINE for each in category):
        return True
    return any(each.code and (each.display or concept.text) for concept in concepts for each in concept.coding)


def _group(sent: shapes.AllergyIntolerance) -> str:
    """The gravest group of the reactions. One that is not understood is unknown; one called severe, or of high risk, is never mild."""
    groups: list[str] = []
    for reaction in sent.reaction:
        found = [_of_manifestation(each) for each in reaction.manifestation]
        found += [group for group, spoken in _SPOKEN.items() if spoken.stated(reaction.description)]
        group = max(found, key=RANK.index, default="unknown")
        if reaction.severity == "severe" and RANK.index(group) < _UNKNOWN:
            group = "unknown"
        groups.append(group)
    group = max(groups, key=RANK.index, default="unknown")
    return "unknown" if sent.criticality == "high" and RANK.index(group) < _UNKNOWN else group


def _of_manifestation(concept: shapes.Concept) -> str:
    """One manifestation: by its codes, which agree or the gravest counts; words may only raise it."""
    coded = [group for each in concept.coding if (group := REACTIONS.get((each.system, each.code))) is not None]
    words = (concept.text, *(each.display for each in concept.coding))
    return max([*(coded or ["unknown"]), *(group for group, spoken in _SPOKEN.items() if any(map(spoken.stated, words)))], key=RANK.index)


def _status(concept: shapes.Concept | None, system: str) -> frozenset[str]:
    return frozenset() if concept is None else frozenset(each.code for each in concept.coding if each.system in ("", system))
