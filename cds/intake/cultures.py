"""Cultures and susceptibilities. Which organism a susceptibility is of is told by links: members, what it derives from, else one common specimen.

Text may raise (a marker of resistance, an organism) and never clears: only the plainest words say that nothing grew.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec
from msgspec import Raw

from cds.chart import Culture, Moment, Problem, Susceptibility, Trouble
from cds.intake import shapes
from cds.intake.coding import label_of
from cds.intake.results import ref_of
from cds.intake.times import Times
from cds.intake.words import Spoken
from cds.vocabulary import culture_of, interpretation_from_text, interpretation_of, susceptibility_of
from cds.vocabulary.care import GROWTH, ORGANISMS

ITEM = "cultures"
IGNORED = frozenset(("cancelled", "entered-in-error", "unknown"))
_PARTLY = frozenset(("registered", "preliminary", "partial"))
_WHOLLY = frozenset(("final", "amended", "corrected", "appended"))
_LINKS: msgspec.json.Decoder[tuple[shapes.Reference, ...]] = msgspec.json.Decoder(tuple[shapes.Reference, ...])
# A culture, its panel of susceptibilities, and the drug in it.
_HOPS = 3
_INTERPRETATIONS = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"

_NOTHING_GREW = re.compile(
    r"(?:culture[ :]*)?(?:no (?:\w+ ){0,4}growth|no (?:\w+ ){0,4}(?:isolated|grown|seen|detected|cultured)|sterile|negative|not detected|nothing grown)\b"
)
_SOMETHING_GREW = re.compile(r"\b(?:grew|heavy|scanty|moderate|profuse|cfu|positive|coli|aureus|species|spp)\b|\bgrowth of\b|\bisolated\b")
_CONTAMINATED = Spoken(("contaminat*", "contaminant*", "skin flora"))
_MIXED = Spoken(("mixed growth", "mixed flora", "mixed organisms", "doubtful significance", "normal flora", "commensal flora", "respiratory flora"))
_MARKERS = (
    ("esbl", "ESBL", Spoken(("esbl*", "extended-spectrum", "extended spectrum"), after=True)),
    ("carbapenemase", "carbapenemase", Spoken(("carbapenemase*", "kpc", "ndm", "oxa-48*", "cpe", "cre", "carbapenem-resistant", "carbapenem resistant"), after=True)),
    ("oxacillin", "methicillin resistance", Spoken(("mrsa", "methicillin-resistant", "methicillin resistant", "meticillin-resistant", "meticillin resistant"), after=True)),
)
_SCREENING = Spoken(
    ("screen*", "colonis*", "coloniz*", "carriage", "carrier", "surveillance", "rectal swab", "nasal swab", "nose swab", "groin swab", "axilla swab", "perineal swab", "perineum swab")
)


class Grown(NamedTuple):
    """One Observation of the list of cultures, with its place."""

    sent: shapes.Observation
    code: shapes.Concept
    path: str


class Reported(NamedTuple):
    """One DiagnosticReport of it."""

    sent: shapes.DiagnosticReport
    path: str


class Told(NamedTuple):
    """What all of them say."""

    cultures: tuple[Culture, ...]
    susceptibilities: tuple[Susceptibility, ...]
    problems: tuple[Problem, ...]


def read_cultures(grown: Sequence[Grown], reports: Sequence[Reported], times: Times) -> Told:
    """Cultures and susceptibilities of a whole list, and what of it was set aside."""
    cultures: list[Culture] = []
    found: list[Susceptibility] = []
    problems: list[Problem] = []
    usable: list[tuple[Grown, Moment | None]] = []
    of: dict[int, Culture] = {}
    for each in grown:
        when = _usable(each, times)
        if isinstance(when, Problem):
            problems.append(when)
        elif each.sent.status not in IGNORED:
            usable.append((each, when))
            made = _culture(each, when)
            if made is not None:
                of[id(each.sent)] = made
                cultures.append(made)
                found += _markers(each, made)
                if made.result == "pending" and each.sent.valueCodeableConcept is not None:
                    message = f"{made.label}: what was found is a code that is not known and has no name"
                    problems.append(Problem(Trouble.NOT_UNDERSTOOD, _ref(each), each.path, ITEM, message, at=when))
    links = _Links([each for each, _ in usable], reports)
    for each, when in usable:
        drugs = _drugs(each)
        if drugs:
            own = of.get(id(each.sent)) or links.culture_of(each, of)
            for concept, drug, result, why in drugs:
                if result is None:
                    problems.append(Problem(Trouble.NOT_UNDERSTOOD, _ref(each), each.path, ITEM, f"{label_of(concept, drug)}: {why}", at=when))
                else:
                    organism = "" if own is None else ", ".join(own.organisms)
                    kind, carried = ("other", False) if own is None else (own.kind, links.screening(own))
                    label, early = label_of(concept, drug), each.sent.status in _PARTLY
                    name = _ref(each) if each.sent.id else each.path
                    found.append(Susceptibility(name, drug, result, label, organism, kind, when, early, carried or _screening(each), each.path))
    for report in reports:
        told = _report(report, times, links, of)
        if isinstance(told, Problem):
            problems.append(told)
        elif told is not None:
            cultures.append(told)
    return Told(tuple(cultures), tuple(found), tuple(problems))


def _ref(each: Grown) -> str:
    return ref_of("Observation", each.sent.id)


def _usable(each: Grown, times: Times) -> Moment | Problem | None:
    """When it was taken (None: not known), or why it is set aside."""
    sent = each.sent
    if sent.status in IGNORED or not _of_interest(each):
        return None
    label = label_of(each.code, "a culture")

    def problem(trouble: Trouble, message: str) -> Problem:
        return Problem(trouble, _ref(each), each.path, ITEM, f"{label}: {message}")

    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return problem(Trouble.MODIFIER, "it carries a modifier that is not understood")
    if sent.status not in _PARTLY | _WHOLLY:
        return problem(Trouble.STATUS, "its status is not one that FHIR knows")
    taken = sent.effectiveDateTime or sent.effectiveInstant or ("" if sent.effectivePeriod is None else sent.effectivePeriod.start)
    when = _when(taken, sent.issued, times)
    return problem(when, "its time is not readable" if when is Trouble.TIME_UNREADABLE else "its time lies in the future") if isinstance(when, Trouble) else when


def _when(taken: str, issued: str, times: Times) -> Moment | Trouble | None:
    """The time of the specimen. An issue time alone says that it was taken at or before (F-6)."""
    text = taken or issued
    if not text:
        return None
    read = times.read(text)
    if read is None:
        return Trouble.TIME_UNREADABLE
    past = times.past(read)
    if past is None:
        return Trouble.FUTURE
    return past if taken else Moment(None, past.latest, "issued only", text)


def _of_interest(each: Grown) -> bool:
    return _kind(each.code) is not None or bool(_tested(each))


def _kind(code: shapes.Concept) -> str | None:
    return next((one for each in code.coding if (one := culture_of(each.system, each.code)) is not None), None)


def _screening(each: Grown) -> bool:
    texts = (label_of(each.code), each.sent.specimen.display if each.sent.specimen is not None else "", *(note.text for note in each.sent.note))
    return any(map(_SCREENING.stated, texts))


# Growth ----------------------------------------------------------------------------------------------------------------------------------


def _culture(each: Grown, when: Moment | None) -> Culture | None:
    kind = _kind(each.code)
    if kind is None:
        return None
    sent = each.sent
    result, organisms = _growth(sent.valueCodeableConcept, sent.valueString or "", sent.interpretation)
    return Culture(_ref(each) if sent.id else each.path, kind, result, label_of(each.code, "a culture"), organisms, when, sent.status in _WHOLLY, each.path)


def _growth(coded: shapes.Concept | None, string: str, interpretation: Iterable[shapes.Concept]) -> tuple[str, tuple[str, ...]]:
    """What a culture shows, and the organism. Without a value and an interpretation nothing was said yet: pending."""
    coding = () if coded is None else coded.coding
    answers = {GROWTH[key] for each in coding if (key := (each.system, each.code)) in GROWTH}
    codes = {each.code for concept in interpretation for each in concept.coding if each.system in ("", _INTERPRETATIONS)}
    answers |= {name for code, name in (("NEG", "negative"), ("ND", "negative"), ("POS", "positive"), ("DET", "positive")) if code in codes}
    named = next((ORGANISMS[key] for each in coding if (key := (each.system, each.code)) in ORGANISMS), "")
    said = label_of(coded) if coded is not None else " ".join(string.split())[:160]
    if any(said == each.code for each in coding):
        said = named
    words = said.lower()
    if _CONTAMINATED.stated(words):
        return "contaminated", ()
    if _MIXED.stated(words):
        return "mixed", (said,)
    plain = any((each.system, each.code) in GROWTH for each in coding) or words in ("positive", "detected", "growth", "abnormal")
    denied = None if named else _NOTHING_GREW.match(words)
    if (denied is not None and _SOMETHING_GREW.search(words, denied.end()) is None) or (answers == {"negative"} and (plain or not said)):
        return "negative", ()
    if answers or said:
        return "positive", (said,) if said and not plain else ()
    return "pending", ()


def _markers(each: Grown, made: Culture) -> list[Susceptibility]:
    """Resistance of a whole class that the organism's name or a note states. Nothing is marked where nothing grew."""
    if made.result not in ("positive", "mixed"):
        return []
    texts = (*made.organisms, *(note.text for note in each.sent.note), *(one.text for one in each.sent.interpretation))
    organism = ", ".join(made.organisms)
    early, carried = not made.final, _screening(each)
    return [
        Susceptibility(made.ref, name, "R", label, organism, made.kind, made.at, early, carried, each.path)
        for name, label, spoken in _MARKERS
        if any(map(spoken.stated, texts))
    ]


# Susceptibilities ------------------------------------------------------------------------------------------------------------------------


def _tested(each: Grown) -> list[tuple[shapes.Concept, str, shapes.Observation | shapes.Component]]:
    parts: list[tuple[shapes.Concept, shapes.Observation | shapes.Component]] = [(each.code, each.sent), *((part.code, part) for part in each.sent.component)]
    return [(concept, drug, part) for concept, part in parts if (drug := next((d for c in concept.coding if (d := susceptibility_of(c.system, c.code)) is not None), None))]


def _drugs(each: Grown) -> list[tuple[shapes.Concept, str, str | None, str]]:
    """For each drug tested: its code, our name, S, I or R; or None and why not. One that is only registered, or says that it was not done, is no result."""
    found: list[tuple[shapes.Concept, str, str | None, str]] = []
    for concept, drug, part in _tested(each):
        if part.modifierExtension is not None:
            found.append((concept, drug, None, "it carries a modifier that is not understood"))
            continue
        results = _interpreted(part)
        if len(results) > 1:
            found.append((concept, drug, None, "two results that contradict each other"))
        elif results:
            found.append((concept, drug, results.pop(), ""))
        elif part.valueQuantity is not None or part.valueRange is not None:
            found.append((concept, drug, None, "a concentration without an interpretation is not judged"))
        elif part.interpretation or part.valueCodeableConcept is not None or part.valueString:
            found.append((concept, drug, None, "its result is not understood"))
    return found


def _interpreted(part: shapes.Observation | shapes.Component) -> set[str]:
    """S, I or R: the interpretation first, else the coded answer, else a text that says nothing else."""
    coded = () if part.valueCodeableConcept is None else (part.valueCodeableConcept,)
    for concepts in (part.interpretation, coded):
        found = {one for each in concepts for c in each.coding if (one := interpretation_of(c.system, c.code)) is not None}
        found |= {one for each in concepts if not each.coding and (one := interpretation_from_text(each.text)) is not None}
        if found:
            return found
    one = interpretation_from_text(part.valueString) if part.valueString else None
    return set() if one is None else {one}


# Links -----------------------------------------------------------------------------------------------------------------------------------


class _Links:
    """Which Observations belong together: hasMember, derivedFrom, and the results of one report; and which share a specimen."""

    def __init__(self, grown: Sequence[Grown], reports: Sequence[Reported]) -> None:
        self._by_name = {f"Observation/{each.sent.id}": each for each in grown if each.sent.id}
        self._near: dict[str, set[str]] = {}
        for each in grown:
            for raw in (each.sent.hasMember, each.sent.derivedFrom):
                for name in _names(raw):
                    self._join(f"Observation/{each.sent.id}" if each.sent.id else each.path, name)
        self._screened = {id(each.sent): _screening(each) for each in grown}
        self._paths = {each.path: each for each in grown}

    def _join(self, one: str, other: str) -> None:
        self._near.setdefault(one, set()).add(other)
        self._near.setdefault(other, set()).add(one)

    def screening(self, culture: Culture) -> bool:
        """Whether the culture of a susceptibility was a screen for carriage."""
        return self._screened[id(self._paths[culture.path].sent)]

    def culture_of(self, each: Grown, of: dict[int, Culture]) -> Culture | None:
        """The one culture that a susceptibility belongs to. None where there is none, or where it may be of several."""
        start = f"Observation/{each.sent.id}" if each.sent.id else each.path
        seen, edge = {start}, {start}
        for _ in range(_HOPS):
            edge = {name for known in sorted(edge) for name in self._near.get(known, ())} - seen
            seen |= edge
            cultures = [of[id(self._by_name[name].sent)] for name in sorted(edge) if name in self._by_name and id(self._by_name[name].sent) in of]
            if cultures:
                return _one(cultures)
        specimen = _tail("" if each.sent.specimen is None else each.sent.specimen.reference)
        if not specimen:
            return None
        return _one(
            [
                of[id(other.sent)]
                for other in self._paths.values()
                if id(other.sent) in of and other.sent.specimen is not None and _tail(other.sent.specimen.reference) == specimen and of[id(other.sent)].organisms
            ]
        )

    def has_culture(self, names: Iterable[str], of: dict[int, Culture]) -> bool:
        """Whether one of these Observations is a culture that was read."""
        return any(name in self._by_name and id(self._by_name[name].sent) in of for name in names)


def _one(cultures: list[Culture]) -> Culture | None:
    """The only one; of several of one specimen kind that one without an organism, because whose it is nobody can tell."""
    if len(cultures) <= 1:
        return cultures[0] if cultures else None
    if len({each.kind for each in cultures}) > 1:
        return None
    return cultures[0] if len({each.organisms for each in cultures}) == 1 else msgspec.structs.replace(cultures[0], organisms=())


def _tail(reference: str) -> str:
    return "/".join(reference.partition("/_history/")[0].rsplit("/", 2)[-2:])


def _names(raw: Raw) -> list[str]:
    """The resources that are referred to. A link that is not readable joins nothing."""
    if not bytes(raw):
        return []
    try:
        return [_tail(each.reference) for each in _LINKS.decode(raw) if each.reference]
    except (ValueError, RecursionError):
        return []


# Reports ---------------------------------------------------------------------------------------------------------------------------------


def _report(report: Reported, times: Times, links: _Links, of: dict[int, Culture]) -> Culture | Problem | None:
    """A report of a culture that none of its Observations tells. None where one does, or where it is of something else."""
    sent, path = report
    kind = None if sent.code is None else _kind(sent.code)
    if kind is None or sent.status in IGNORED or links.has_culture((_tail(each.reference) for each in sent.result), of):
        return None
    ref, label = ref_of("DiagnosticReport", sent.id), label_of(sent.code, "a culture")
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return Problem(Trouble.MODIFIER, ref, path, ITEM, f"{label}: it carries a modifier that is not understood")
    if sent.status not in _PARTLY | _WHOLLY:
        return Problem(Trouble.STATUS, ref, path, ITEM, f"{label}: its status is not one that FHIR knows")
    when = _when(sent.effectiveDateTime or ("" if sent.effectivePeriod is None else sent.effectivePeriod.start), sent.issued, times)
    if isinstance(when, Trouble):
        return Problem(when, ref, path, ITEM, f"{label}: its time is not readable or lies in the future")
    result, organisms = _growth(sent.conclusionCode[0] if sent.conclusionCode else None, sent.conclusion, ())
    return Culture(ref if sent.id else path, kind, result, label, organisms, when, sent.status in _WHOLLY, path)
