"""Diagnosis codes: exact and by dotted category, and the near misses that must not match."""

from __future__ import annotations

import pytest

from cds.vocabulary import CONCEPTS, ICD_10, ICD_10_CM, SNOMED_CT, conditions_of

WHO, CM, CT = ICD_10, ICD_10_CM, SNOMED_CT

STATED = [
    (CM, "G40.909", "epilepsy"),
    (CM, "G40.901", "epilepsy epilepsy_with_status"),
    (CM, "G40.A11", "epilepsy epilepsy_with_status absence_seizure"),
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
    (CM, "O15.2", "eclampsia postpartum"),  # puerperium: after the pregnancy (R-n76)
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
    (CM, "R65.21", "sepsis septic_shock infection shock"),
    (WHO, "R57.2", "sepsis septic_shock infection shock"),
    (CM, "G03.9", "meningitis cns_infection infection"),
    (CM, "A39.0", "meningitis cns_infection infection"),
    (CM, "A17.0", "meningitis cns_infection infection"),
    (CM, "I63.9", "stroke"),
    (CM, "S06.0X0A", "brain_injury"),
    (CM, "C71.1", "brain_tumour"),
    (CM, "D33.0", "brain_tumour"),
    (CM, "F10.231", "alcohol_withdrawal alcohol_use_disorder"),
    (WHO, "F10.31", "alcohol_withdrawal alcohol_use_disorder"),
    (CM, "F10.139", "alcohol_withdrawal alcohol_use_disorder"),
    (CM, "I44.2", "heart_disease av_block"),
    (CM, "I44.0", "heart_disease first_degree_av_block"),
    (CM, "I49.5", "heart_disease sick_sinus arrhythmia"),
    (CM, "I25.10", "heart_disease ischaemic_heart_disease"),
    (CM, "K72.90", "hepatic_failure advanced_liver_disease"),
    (CM, "K74.60", "cirrhosis advanced_liver_disease"),
    (WHO, "T42.0", "poisoning"),
    (CM, "T42.0X1A", "poisoning"),
    (CM, "E88.40", "mitochondrial_disease"),
    (WHO, "E72.2", "urea_cycle_disorder"),
    # drinking is not yet withdrawal
    (CM, "F10.20", "alcohol_use_disorder"),
    (CM, "F10.229", "alcohol_use_disorder"),
    (CM, "T43.011A", "poisoning poisoning_tricyclic poisoning_sodium_channel_blocker"),
    (WHO, "T43.0", "poisoning poisoning_tricyclic poisoning_sodium_channel_blocker"),
    (CM, "T39.012A", "poisoning poisoning_salicylate"),
    (CM, "T46.1X1A", "poisoning poisoning_calcium_channel_blocker"),
    (CM, "T44.7X2A", "poisoning poisoning_beta_blocker"),
    (CM, "T42.6X1A", "poisoning"),  # any newer anti-seizure drug, never read as valproate
    (WHO, "T37.1", "poisoning poisoning_isoniazid"),
    (CM, "T48.6X1A", "poisoning poisoning_theophylline"),
    (CM, "T40.5X1A", "poisoning poisoning_cocaine"),
    (CM, "T41.3X1A", "poisoning poisoning_local_anaesthetic"),
    (CM, "T62.0X1A", "poisoning_mushroom"),
    (CM, "I21.4", "heart_disease ischaemic_heart_disease myocardial_infarction"),
    (CM, "I25.2", "heart_disease ischaemic_heart_disease"),  # an old infarct is not one of this week
    (CM, "I47.21", "heart_disease arrhythmia torsades"),
    (CM, "I35.0", "heart_disease valve_disease"),
    (CM, "I46.9", "heart_disease cardiac_arrest"),
    (CM, "I44.39", "heart_disease av_block"),
    (CM, "I45.9", "heart_disease"),  # any conduction disorder that is not specified: not Adams-Stokes
    (CM, "R00.1", "sinus_bradycardia"),
    (CM, "Z95.0", "pacemaker"),
    (CM, "G40.A09", "epilepsy absence_seizure"),
    (CM, "G40.209", "epilepsy focal_impaired_seizure"),
    (WHO, "G40.1", "epilepsy focal_aware_seizure"),
    (WHO, "G41.2", "status_epilepticus focal_impaired_seizure"),
    (CM, "E43", "malnutrition"),
    (CM, "O21.1", "pregnancy hyperemesis"),
    (CM, "G37.2", "osmotic_demyelination"),
    (CM, "E87.1", "hyponatraemia"),
    (CM, "Z90.710", "hysterectomy"),
    (CM, "Z98.51", "sterilisation"),
    (CM, "G70.01", "myasthenia_gravis neuromuscular_disease"),
    (CM, "J45.902", "severe_asthma"),
    (CM, "M62.82", "rhabdomyolysis"),
    (CM, "R29.0", "tetany"),
    (CM, "R29.1", "neck_stiffness"),
    (CM, "R50.9", "fever"),
    (CM, "F05", "delirium confusion"),
    (CM, "R41.0", "confusion"),
    (CM, "R78.81", "infection bacteraemia"),
    (CM, "N41.0", "infection prostatitis"),
    (CM, "T83.511A", "infection catheter_associated_uti"),
    (CM, "I33.0", "infection endocarditis"),
    (CM, "D70.1", "neutropenia"),
    (CM, "Z16.12", "esbl_resistance"),
    (CM, "Z22.322", "colonisation"),
    (CM, "Z95.2", "mechanical_heart_valve"),
    (CM, "I82.401", "venous_thromboembolism"),
    (CM, "I26.99", "venous_thromboembolism"),
    (CM, "I61.9", "stroke bleeding"),
    (CM, "K92.2", "haemorrhage bleeding"),
    (CM, "R54", "frailty"),
    (CM, "N30.00", "infection cystitis"),
    (CM, "N30.10", "cystitis"),  # interstitial cystitis is no infection
    (CM, "L02.31", "infection abscess"),
    (CT, "22298006", "heart_disease ischaemic_heart_disease myocardial_infarction"),
    (CT, "410429000", "heart_disease cardiac_arrest"),
    (CT, "7180009", "meningitis cns_infection infection"),
    (CT, "45170000", "encephalitis cns_infection infection"),
    (CT, "66590003", "alcohol_use_disorder"),
    (CT, "91637004", "myasthenia_gravis neuromuscular_disease"),
    (CT, "59282003", "venous_thromboembolism"),
    (CT, "76571007", "sepsis septic_shock infection shock"),
    (CT, "2776000", "delirium confusion"),
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
        (CM, "F10.21"),  # in remission
        (CM, "F10.11"),
        (CM, "F10.90"),
        (CM, "T43.015A"),  # adverse effect of a tricyclic
        (CM, "T46.1X6A"),  # underdosing of a calcium-channel blocker
        (CM, "Z51.5"),  # palliative care is not the last days of life
        (WHO, "Z51.5"),
        (WHO, "Z95.0"),  # any electronic cardiac device
        (WHO, "Z90.7"),  # loss of any genital organ
        (WHO, "M62.8"),  # any other disorder of muscle
        (CM, "Z90.712"),  # the cervix alone
        (CM, "R11.0"),  # nausea alone
        (CM, "R29.3"),  # any abnormal posture
        (CM, "G83.9"),
        (CM, "N13.70"),  # reflux, not obstruction
        (CM, "E87.8"),
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
