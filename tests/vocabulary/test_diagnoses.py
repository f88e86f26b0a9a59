"""Diagnosis codes: exact and by dotted category, and the near misses that must not match."""

from __future__ import annotations

import pytest

from cds.vocabulary import CONCEPTS, ICD_10, ICD_10_CM, SNOMED_CT, conditions_of

WHO, CM, CT = ICD_10, ICD_10_CM, SNOMED_CT

STATED = [
    (CM, "G40.909", "epilepsy"),
    (CM, "G40.901", "epilepsy epilepsy_with_status"),
    (CM, "G40.A11", "epilepsy epilepsy_with_status"),
    (WHO, "G40", "epilepsy"),
    (WHO, "G40.9", "epilepsy"),
    (WHO, "G41.0", "status_epilepticus"),
    (CM, "R56.9", "seizure"),
    (CM, "R56.00", "seizure febrile_seizure"),
    (WHO, "F44.5", "functional_seizure"),
    (CT, "91175000", "seizure"),
    (CT, "230456007", "status_epilepticus"),
    (CT, "128613002", "epilepsy"),
    (CM, "E10.10", "diabetes diabetes_type_1 diabetic_ketoacidosis ketoacidosis"),
    (CM, "E11.11", "diabetes diabetic_ketoacidosis ketoacidosis"),
    (WHO, "E14.1", "diabetes diabetic_ketoacidosis ketoacidosis"),
    (CT, "420422005", "diabetes diabetic_ketoacidosis ketoacidosis"),
    (WHO, "E11.0", "diabetes"),  # any diabetic coma, hypoglycaemic included
    (CM, "E11.00", "diabetes hyperosmolar_state"),
    (CM, "E13.01", "diabetes hyperosmolar_state"),
    (CM, "O15.00", "eclampsia pregnancy"),
    (CM, "O15.2", "eclampsia"),  # puerperium: after the pregnancy (R-n76)
    (WHO, "Z33", "pregnancy"),
    (CM, "Z33.1", "pregnancy"),
    (CT, "77386006", "pregnancy"),
    (CM, "N17.9", "acute_kidney_injury"),
    (CM, "N18.6", "chronic_kidney_disease ckd_4_5 end_stage_renal"),
    (WHO, "N18.4", "chronic_kidney_disease ckd_4_5"),
    (WHO, "Z99.2", "dialysis"),
    (WHO, "Z49.1", "dialysis"),
    (CM, "R34", "anuria_oliguria"),
    (CM, "A41.9", "sepsis infection"),
    (CM, "R65.21", "sepsis septic_shock infection"),
    (WHO, "R57.2", "sepsis septic_shock infection"),
    (CM, "G03.9", "meningitis cns_infection infection"),
    (CM, "A39.0", "meningitis cns_infection infection"),
    (CM, "A17.0", "meningitis cns_infection infection"),
    (CM, "I63.9", "stroke"),
    (CM, "S06.0X0A", "brain_injury"),
    (CM, "C71.1", "brain_tumour"),
    (CM, "D33.0", "brain_tumour"),
    (CM, "F10.231", "alcohol_withdrawal"),
    (WHO, "F10.31", "alcohol_withdrawal"),
    (CM, "F10.139", "alcohol_withdrawal"),
    (CM, "I44.2", "heart_disease av_block"),
    (CM, "I44.0", "heart_disease first_degree_av_block"),
    (CM, "I49.5", "heart_disease sick_sinus"),
    (CM, "I25.10", "heart_disease"),
    (CM, "K72.90", "hepatic_failure"),
    (CM, "K74.60", "cirrhosis"),
    (WHO, "T42.0", "poisoning"),
    (CM, "T42.0X1A", "poisoning"),
    (CM, "E88.40", "mitochondrial_disease"),
    (WHO, "E72.2", "urea_cycle_disorder"),
]


@pytest.mark.parametrize(("system", "code", "concepts"), STATED)
def test_codes_state_concepts(system: str, code: str, concepts: str) -> None:
    assert set(conditions_of(system, code)) == set(concepts.split())


@pytest.mark.parametrize(
    ("system", "code"),
    [
        (CM, "E88.810"),  # metabolic syndrome, not mitochondrial
        (CM, "E88.81"),
        (CM, "G401"),
        (CM, "g40.909"),
        (CM, "G4"),
        (CM, "K74.6"),
        (CM, "K74.3"),
        (CM, "T42.0X5A"),  # adverse effect
        (CM, "T42.0X6A"),  # underdosing
        (CM, "F10.20"),
        (CM, "F10.229"),
        (CM, "R56"),
        (WHO, "R56.9"),
        (CM, "Z33.2"),
        (CM, "G41.0"),
        (CM, ""),
        (CT, "230456008"),
        ("urn:local", "G40.9"),
        (WHO, "N39.00"),
    ],
)
def test_near_misses_state_nothing(system: str, code: str) -> None:
    assert conditions_of(system, code) == ()


def test_status_in_an_epilepsy_code_needs_a_date() -> None:
    """A G40 code with status on a bare problem list is history; with an onset, or as the reason for the encounter, it is status."""
    assert "status_epilepticus" not in conditions_of(CM, "G40.901")
    assert "status_epilepticus" in conditions_of(CM, "G40.901", current=True)
    assert conditions_of(CM, "G40.909", current=True) == ("epilepsy",)


def test_order_is_fixed() -> None:
    """Concepts come in one order, whatever the code, so that an answer can be replayed byte for byte."""
    order = list(CONCEPTS)
    for system, code, _ in STATED:
        found = conditions_of(system, code, current=True)
        assert list(found) == sorted(found, key=order.index)
