"""Diagnoses by our concept names, from SNOMED CT, ICD-10 and ICD-10-CM codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from cds.vocabulary import _tables
from cds.vocabulary.systems import ICD_10, ICD_10_CM

_PREFIX_LENGTHS = (1, 3, 5, 6)
_CATEGORY = 3


@dataclass(frozen=True, slots=True)
class Concept:
    """One kind of diagnosis: our name and what a card calls it."""

    name: str
    label: str


CONCEPTS: Mapping[str, Concept] = MappingProxyType({name: Concept(name, label) for name, label in _tables.CONCEPTS.items()})

_ORDER = {name: place for place, name in enumerate(CONCEPTS)}


def conditions_of(system: str, code: str, current: bool = False) -> tuple[str, ...]:
    """Concepts that a code states, in the order of the source file; () when it is not recognised.

    ICD codes match by prefix of a dotted category only where the source says so, else exactly: E88.81 is not E88.4, WHO E11.0 is
    not hyperosmolar. `current` says that the entry has an onset or is the reason for the encounter: only then does an
    ICD-10-CM epilepsy code "with status epilepticus" (G40.901 ...) also state status epilepticus; on a bare problem list it is
    history, "epilepsy" and "epilepsy_with_status".
    """
    found = set(_tables.CONDITION_CODES.get((system, code), ()))
    if system in (ICD_10, ICD_10_CM):
        for length in _PREFIX_LENGTHS:
            # a three-character category is followed by a dot: G40 is not the start of G401
            if length == _CATEGORY and code[_CATEGORY : _CATEGORY + 1] not in ("", "."):
                continue
            if len(code) >= length:
                found.update(_tables.CONDITION_PREFIXES.get((system, code[:length]), ()))
        found.difference_update(_tables.CONDITION_REFUSED.get((system, code), ()))
        if system == ICD_10_CM and code[:1] == "T" and code[6:7] in ("5", "6"):
            # T36 to T50: sixth character 5 is an adverse effect, 6 is underdosing
            found = {name for name in found if not name.startswith("poisoning")}
    if current and "epilepsy_with_status" in found:
        found.add("status_epilepticus")
    return tuple(sorted(found, key=_ORDER.__getitem__))
