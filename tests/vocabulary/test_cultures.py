"""Cultures, susceptibility codes and their answers."""

from __future__ import annotations

import pytest

from cds.vocabulary import (
    DRUGS,
    INTERPRETATION,
    LOINC,
    SNOMED_CT,
    _tables,
    analyte_of,
    culture_of,
    drug_in_class,
    how_checked,
    interpretation_from_text,
    interpretation_of,
    parts_tested,
    susceptibility_of,
)
from cds.vocabulary.cultures import SPECIMENS

# code, drug: met together in several independent public code files
TESTED = """
18864-9 ampicillin | 18861-5 amoxicillin | 18862-3 clavulanate | 18970-4 tazobactam | 18878-9 cefazolin | 18888-8 cefoxitin
18886-2 cefotaxime | 18895-3 ceftriaxone | 18893-8 ceftazidime | 18879-7 cefepime | 18868-0 aztreonam | 35802-8 ertapenem
18932-4 imipenem | 18943-1 meropenem | 18906-8 ciprofloxacin | 20629-2 levofloxacin | 18996-9 tobramycin | 18928-2 gentamicin
18860-7 amikacin | 18997-7 trimethoprim | 18998-5 sulfamethoxazole | 18955-5 nitrofurantoin | 19000-9 vancomycin | 18993-6 tetracycline
18917-5 doxycycline | 25596-8 fosfomycin
"""
ROWS = [tuple(row.split()) for line in TESTED.strip().splitlines() for row in line.split(" | ")]


@pytest.mark.parametrize(("code", "drug"), ROWS)
def test_each_code_tests_one_drug(code: str, drug: str) -> None:
    assert susceptibility_of(LOINC, code) == drug
    assert parts_tested(LOINC, code)[0] == drug
    assert drug in DRUGS and analyte_of(LOINC, code) is None and culture_of(LOINC, code) is None
    assert how_checked(LOINC, code) == "public file"


def test_the_list_above_is_the_whole_table() -> None:
    assert {code for _, code in _tables.SUSCEPTIBILITY} == {code for code, _ in ROWS}


def test_a_combination_stands_under_the_partner_that_only_it_has() -> None:
    """Amoxicillin resistant says nothing of amoxicillin with clavulanate: the two must not share a name."""
    assert parts_tested(LOINC, "18862-3") == ("clavulanate", "amoxicillin")
    assert parts_tested(LOINC, "18970-4") == ("tazobactam", "piperacillin")
    assert parts_tested(LOINC, "18998-5") == ("sulfamethoxazole", "trimethoprim")
    names = [names[0] for names in _tables.SUSCEPTIBILITY.values()]
    assert len(names) == len(set(names))


def test_every_drug_tested_is_an_antibacterial_or_goes_with_one() -> None:
    for names in _tables.SUSCEPTIBILITY.values():
        assert any(drug_in_class(name, "antibacterial") for name in names), names


@pytest.mark.parametrize("code", ["18985-2", "2823-3", "600-7", "18861-6", "30471-7", ""])
def test_other_codes_test_nothing(code: str) -> None:
    """18985-2 is sulfamethoxazole alone: its name would be taken for the combination's."""
    assert susceptibility_of(LOINC, code) is None
    assert parts_tested(LOINC, code) == ()
    assert susceptibility_of(SNOMED_CT, "18861-5") is None


@pytest.mark.parametrize(
    ("code", "specimen"),
    [("600-7", "blood"), ("17928-3", "blood"), ("17934-1", "blood"), ("630-4", "urine"), ("606-4", "csf"), ("6463-4", "other"), ("2345-7", None)],
)
def test_cultures(code: str, specimen: str | None) -> None:
    assert culture_of(LOINC, code) == specimen
    assert specimen is None or specimen in SPECIMENS


@pytest.mark.parametrize(
    ("system", "code", "answer"),
    [
        (INTERPRETATION, "S", "S"),
        (INTERPRETATION, "I", "I"),
        (INTERPRETATION, "SDD", "I"),
        (INTERPRETATION, "R", "R"),
        (LOINC, "LA24225-7", "S"),
        (LOINC, "LA6676-6", "R"),
        (INTERPRETATION, "NS", None),  # no category of resistance: not read as one
        (INTERPRETATION, "s", None),
        (INTERPRETATION, "H", None),
        (LOINC, "S", None),
        (SNOMED_CT, "R", None),
    ],
)
def test_coded_answers(system: str, code: str, answer: str | None) -> None:
    assert interpretation_of(system, code) == answer


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("R", "R"),
        (" Resistant ", "R"),
        ("susceptible", "S"),
        ("Susceptible,  increased exposure", "I"),
        ("sensitive", "S"),
        ("I", "I"),
        ("not susceptible", None),
        ("S <= 4", None),
        ("0.5", None),
        ("resistant?", None),
        ("", None),
    ],
)
def test_answers_in_text_are_read_whole(text: str, answer: str | None) -> None:
    assert interpretation_from_text(text) == answer
