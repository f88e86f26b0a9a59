"""From codings to our names. Every coding of a concept is looked at; text never decides."""

from __future__ import annotations

import re

from msgspec import Struct

from cds.intake.shapes import Concept
from cds.vocabulary import DRUGS, analyte_of, conditions_of, drug_of, is_panel

_CODE = re.compile(rb'"code"\s*:\s*"([^"\\]{1,40})"')
_TYPE = re.compile(rb'"resourceType"\s*:\s*"([A-Za-z]{1,64})"')
_LONGEST_LABEL = 160


class Measured(Struct, frozen=True, gc=False):
    """What a concept measures. `analytes` holds more than one name when the codings contradict each other."""

    analytes: tuple[str, ...]
    method: str
    specimen: str
    codes: tuple[str, ...]
    concept: Concept


class Codes:
    """Looks codes up once a request, and counts the measurement codes that no table knows (HZ-10)."""

    def __init__(self) -> None:
        self._known: dict[Concept, Measured | None] = {}
        self.unmapped: dict[str, int] = {}

    def measured(self, concept: Concept) -> Measured | None:
        """What an Observation's code means to us; None when no coding is known."""
        coding = concept.coding
        try:
            found = self._known[concept]
        except KeyError:
            found = self._known[concept] = _measured(concept)
        if found is None and coding and not any(is_panel(each.system, each.code) for each in coding):
            name = f"{coding[0].system}|{coding[0].code}"[:200]
            self.unmapped[name] = self.unmapped.get(name, 0) + 1
        return found


def _measured(concept: Concept) -> Measured | None:
    if len(concept.coding) == 1:
        only = concept.coding[0]
        use = analyte_of(only.system, only.code)
        return None if use is None else Measured((use.analyte,), use.method, use.specimen, (only.code,), concept)
    uses = [(use, each) for each in concept.coding if (use := analyte_of(each.system, each.code)) is not None]
    if not uses:
        return None
    return Measured(
        tuple(dict.fromkeys(use.analyte for use, _ in uses)),
        next((use.method for use, _ in uses if use.method), ""),
        next((use.specimen for use, _ in uses if use.specimen), ""),
        tuple(each.code for _, each in uses),
        concept,
    )


def drugs_in(concept: Concept | None) -> tuple[tuple[str, ...], bool]:
    """The ingredients that the codings of a concept name, and whether two codings name entirely different ones."""
    if concept is None:
        return (), False
    found: dict[str, None] = {}
    conflict = False
    for each in concept.coding:
        names = drug_of(each.system, each.code)
        if names and found and found.keys().isdisjoint(names):
            if _same_classes(names, tuple(found)):
                continue
            conflict = True
        found.update(dict.fromkeys(names))
    return tuple(found), conflict


def _same_classes(names: tuple[str, ...], known: tuple[str, ...]) -> bool:
    """Whether one of two unlike answers adds no class to the other: a group's name beside a member of it."""
    classes = [frozenset(c for each in group for c in (DRUGS[each].classes if each in DRUGS else (each,))) for group in (names, known)]
    return classes[0] <= classes[1]


def concepts_in(concept: Concept | None, *, current: bool = False) -> tuple[str, ...]:
    """Our names for a diagnosis: of every coding, in the order sent. `current`: it has an onset or is a reason of now."""
    if concept is None:
        return ()
    found: dict[str, None] = {}
    for each in concept.coding:
        found.update(dict.fromkeys(conditions_of(each.system, each.code, current)))
    return tuple(found)


def label_of(concept: Concept | None, otherwise: str = "") -> str:
    """What a concept is called, for a person: its text, else a display, else a code. One line, cut at 160 characters."""
    if concept is not None:
        for each in (concept.text, *(c.display for c in concept.coding), *(c.code for c in concept.coding)):
            text = " ".join(each.split())
            if text:
                return text if len(text) <= _LONGEST_LABEL else text[: _LONGEST_LABEL - 1] + "…"
    return otherwise


def first_code(concept: Concept | None, systems: tuple[str, ...] = ()) -> str:
    """The first code, of one of `systems` when given; "" when there is none."""
    if concept is None:
        return ""
    return next((c.code for c in concept.coding if c.code and (not systems or c.system in systems)), "")


def type_in(raw: bytes) -> str:
    """The resourceType that undecodable bytes seem to carry, "" when none is found."""
    found = _TYPE.search(raw)
    return found[1].decode() if found else ""


def codes_in(raw: bytes) -> tuple[str, ...]:
    """Every code that undecodable bytes seem to carry, to tell what the resource could have been."""
    return tuple(dict.fromkeys(each.decode("utf-8", "replace") for each in _CODE.findall(raw)))
