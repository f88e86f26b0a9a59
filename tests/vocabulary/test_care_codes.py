"""Codes of procedures, investigations, reactions and allergens: typed rightly, and each with a name that other modules know."""

from __future__ import annotations

import pytest

from cds.vocabulary import CLASSES, CONCEPTS, DRUGS, SNOMED_CT
from cds.vocabulary.care import (
    ALLERGEN_WORDS,
    ALLERGENS,
    CARE,
    DRUG_WORDS,
    GROWTH,
    INVESTIGATIONS,
    NONE_KNOWN,
    ORGANISMS,
    REACTIONS,
    SEVERE_WORDS,
)
from tests.vocabulary.test_code_tables import loinc_digit_holds, verhoeff_holds

GROUPS = {"severe immediate", "severe delayed", "mild", "not allergy"}


@pytest.mark.parametrize("key", sorted({*CARE, *INVESTIGATIONS, *REACTIONS, *ALLERGENS, *ORGANISMS, *(key for key in (*GROWTH, *NONE_KNOWN) if key[1].isdigit())}))
def test_check_digits(key: tuple[str, str]) -> None:
    system, code = key
    assert verhoeff_holds(code) if system == SNOMED_CT else loinc_digit_holds(code)


def test_names_are_known() -> None:
    assert set(CARE.values()) <= set(CONCEPTS)
    assert set(REACTIONS.values()) <= GROUPS and set(SEVERE_WORDS.values()) <= GROUPS - {"mild", "not allergy"}
    assert {name for names in ALLERGENS.values() for name in names} <= set(CLASSES) and set(ALLERGEN_WORDS.values()) <= set(CLASSES)
    assert {name for names in DRUG_WORDS.values() for name in names} <= set(DRUGS)


def test_control_words_never_make_a_reaction_mild() -> None:
    """Were "rash" among the words, a penicillin after it would be a warning where nobody knows what the rash was."""
    assert not any(group in ("mild", "not allergy") for group in SEVERE_WORDS.values())
