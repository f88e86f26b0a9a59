"""Drugs by ingredient, the classes that rules name, and the codes and words that name them.

Identity comes from codes alone. A clinical or branded drug code that names a product, not an ingredient, is not recognised;
a wrong ingredient is worse than none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from cds.vocabulary import _tables
from cds.vocabulary.systems import ATC
from cds.vocabulary.text import mentions


@dataclass(frozen=True, slots=True)
class Drug:
    """One ingredient, or "another ..." for the members of an ATC group that have no row of their own.

    `classes` are the names rules use; `atc` and `rxnorm` its codes (for a group, ATC prefixes).
    """

    name: str
    label: str
    classes: frozenset[str]
    atc: tuple[str, ...]
    rxnorm: tuple[str, ...]


DRUGS: Mapping[str, Drug] = MappingProxyType(
    {name: Drug(name, label, frozenset(classes), atc, rxnorm) for name, (label, classes, atc, rxnorm) in _tables.DRUGS.items()}
)

CLASSES: frozenset[str] = frozenset(name for drug in DRUGS.values() for name in drug.classes)

_MEMBERS = {cls: frozenset(name for name, drug in DRUGS.items() if cls in drug.classes) for cls in sorted(CLASSES)}

_ATC_CODE = re.compile(r"[A-Z]\d\d[A-Z]([A-Z](\d\d)?)?|[A-Z]\d\d")


def drug_of(system: str, code: str) -> tuple[str, ...]:
    """The ingredients a code names; () when it is not recognised.

    RxNorm: ingredients, precise ingredients and multi-ingredients only. ATC: exact codes, combinations as all their parts, and
    groups in which every member has the same classes (A10BB, J01DH ...) for codes without a row. Never by name or text.
    """
    found = _tables.DRUG_CODES.get((system, code))
    if found is not None:
        return found
    if system == ATC and _ATC_CODE.fullmatch(code):
        for length in (5, 4, 3):
            group = _tables.ATC_GROUPS.get(code[:length]) if len(code) >= length else None
            if group is not None:
                return (group,)
    return ()


def drug_in_class(drug: str, cls: str) -> bool:
    """Whether the drug is a member of the class, or is named `cls` itself. False for a name that is not a drug."""
    known = DRUGS.get(drug)
    return known is not None and (drug == cls or cls in known.classes)


def class_members(cls: str) -> frozenset[str]:
    """Names of every drug in the class; empty for a name that is not a class."""
    return _MEMBERS.get(cls, frozenset())


def diluent_from_text(text: str) -> tuple[str, ...]:
    """Fluids that a text names ("in 250 mL 5% glucose"), in the order of the text; () when it names none.

    A closed list of phrases, whole words only. What stands after a negation in the same clause ("not in dextrose") does not
    count. Such a reading may raise an advisory, asking to confirm; it may never silence one (F-16).
    """
    return mentions(text, _tables.FLUID_WORDS, _tables.FLUID_CAPITALS)
