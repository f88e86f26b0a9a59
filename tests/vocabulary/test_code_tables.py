"""Every code of the vocabulary: check digits, one meaning each, formats, and the generated tables kept current.

A passing check digit proves typing, not meaning. Check digits: LOINC modulus 10 (LOINC Users' Guide, appendix C); SNOMED CT
Verhoeff dihedral (SNOMED CT release file specification, section on identifiers).
"""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

from cds import units
from cds.vocabulary import (
    ANALYTES,
    ATC,
    CLASSES,
    CONCEPTS,
    DRUGS,
    ICD_10,
    ICD_10_CM,
    LOINC,
    RXNORM,
    SNOMED_CT,
    _tables,
    analyte_of,
    codes_of,
    how_checked,
    is_panel,
)

ROOT = Path(__file__).parents[2]

ALL_CODES = {
    *_tables.CODES,
    *_tables.PANELS,
    *_tables.DRUG_CODES,
    *_tables.CONDITION_CODES,
    *_tables.CONDITION_PREFIXES,
    *_tables.ROUTE_CODES,
    *_tables.SUSCEPTIBILITY,
    *_tables.CULTURES,
}


def of(system: str) -> list[str]:
    return sorted(code for its_system, code in ALL_CODES if its_system == system)


def loinc_digit_holds(code: str) -> bool:
    """Modulus 10: odd positions from the right, read as one number and doubled, joined by the rest; the digits' sum to the next ten."""
    number, digit = code.split("-")
    odd, even = number[::-1][::2], number[::-1][1::2]
    total = sum(int(d) for d in even + str(int(odd[::-1]) * 2))
    return (10 - total % 10) % 10 == int(digit)


_MULTIPLY = [
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9],
    [1, 2, 3, 4, 0, 6, 7, 8, 9, 5],
    [2, 3, 4, 0, 1, 7, 8, 9, 5, 6],
    [3, 4, 0, 1, 2, 8, 9, 5, 6, 7],
    [4, 0, 1, 2, 3, 9, 5, 6, 7, 8],
    [5, 9, 8, 7, 6, 0, 4, 3, 2, 1],
    [6, 5, 9, 8, 7, 1, 0, 4, 3, 2],
    [7, 6, 5, 9, 8, 2, 1, 0, 4, 3],
    [8, 7, 6, 5, 9, 3, 2, 1, 0, 4],
    [9, 8, 7, 6, 5, 4, 3, 2, 1, 0],
]
_PERMUTE = [list(range(10)), [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]]
for _ in range(6):
    _PERMUTE.append([_PERMUTE[1][_PERMUTE[-1][i]] for i in range(10)])


def verhoeff_holds(code: str) -> bool:
    check = 0
    for place, digit in enumerate(reversed(code)):
        check = _MULTIPLY[check][_PERMUTE[place % 8][int(digit)]]
    return check == 0


@pytest.mark.parametrize("code", of(LOINC))
def test_loinc_check_digits(code: str) -> None:
    assert loinc_digit_holds(code)


@pytest.mark.parametrize(
    "code", sorted({*of(SNOMED_CT), "258701004", "1156209001", "258702006", "258703001", "257997001", "258705008", "258706009", "258707000"})
)
def test_snomed_check_digits(code: str) -> None:
    assert verhoeff_holds(code)


def test_control_a_mistyped_code_fails_its_digit() -> None:
    """Control: neighbours of real codes fail, so the checks above can fail."""
    assert not loinc_digit_holds("2823-4") and not loinc_digit_holds("2832-3")
    assert not verhoeff_holds("91175001") and not verhoeff_holds("19175000")


def test_a_circulating_code_that_fails_its_digit_is_not_mapped() -> None:
    assert not loinc_digit_holds("53060-9")
    assert analyte_of(LOINC, "53060-9") is None


def test_formats() -> None:
    """RxNorm numbers, ATC fifth-level codes, dotted ICD codes."""
    assert all(re.fullmatch(r"[1-9]\d*", code) for code in of(RXNORM))
    assert all(re.fullmatch(r"[A-Z]\d\d[A-Z]{2}\d\d", code) for code in of(ATC))
    for system in (ICD_10, ICD_10_CM):
        assert all(re.fullmatch(r"[A-Z](\d[\dA-Z](\.[\dA-Z]{1,4})?)?", code) for code in of(system))


def test_no_topical_or_eye_preparation() -> None:
    """ATC D and S are never read for a systemic rule, save oral isotretinoin."""
    assert [code for code in of(ATC) if code[0] in "DS"] == ["D10BA01"]


def test_every_code_says_how_it_was_checked() -> None:
    for system, code in ALL_CODES:
        assert how_checked(system, code) in ("seen", "converted pair", "public file", "from memory"), (system, code)
    assert how_checked(LOINC, "1-8") is None


def test_one_meaning_for_each_laboratory_code() -> None:
    """A LOINC code has one analyte, and every analyte has a code, a unit and a range that is one."""
    for name, analyte in ANALYTES.items():
        assert codes_of(name), name
        assert analyte.unit == units.kept_unit(name)
        assert analyte.plausible_low < analyte.plausible_high
        assert analyte.label and analyte.window_group
    assert {analyte for analyte, *_ in _tables.CODES.values()} == set(ANALYTES)


def test_analytes_and_units_name_the_same_things() -> None:
    from cds._unit_table import BY_CODE, KEPT

    assert set(KEPT) == set(ANALYTES)
    for analyte, _, loinc in BY_CODE:
        use = analyte_of(LOINC, loinc)
        assert use is not None and use.analyte == analyte


def test_no_code_means_two_things() -> None:
    """An observation code is an analyte, a panel, a culture or a susceptibility; a SNOMED CT code is a diagnosis or a route."""
    observed = [set(_tables.CODES), set(_tables.PANELS), set(_tables.CULTURES), set(_tables.SUSCEPTIBILITY)]
    assert sum(map(len, observed)) == len(set().union(*observed))
    assert not set(_tables.CONDITION_CODES) & set(_tables.ROUTE_CODES)
    rxnorm_and_atc: dict[tuple[str, str], list[str]] = {}
    for name, (_, _, atc, rxnorm) in _tables.DRUGS.items():
        for key in (*((ATC, code) for code in atc), *((RXNORM, code) for code in rxnorm)):
            rxnorm_and_atc.setdefault(key, []).append(name)
    assert {key: names for key, names in rxnorm_and_atc.items() if len(names) > 1} == {}


def test_blood_pressure_is_a_panel() -> None:
    assert is_panel(LOINC, "85354-9")
    assert analyte_of(LOINC, "85354-9") is None
    assert not is_panel(LOINC, "8480-6")


# Names that other modules rely on.
SHARED_CLASSES = """
insulin insulin_intravenous_suitable rapid_insulin basal_insulin potassium_salt potassium_phosphate glucose_fluid saline
balanced_crystalloid crystalloid water sglt2_inhibitor metformin sulfonylurea glucose_lowering carbapenem valproate phenytoin fosphenytoin
fluoroquinolone benzodiazepine anti_seizure anaesthetic_agent opioid antibacterial magnesium_sulfate calcium_salt bicarbonate glucagon
thiamine potassium_raising qt_prolonging theophylline_like nsaid premixed_insulin meglitinide ace_inhibitor angiotensin_receptor_blocker
aldosterone_antagonist heparin anti_seizure_inducer_strong anti_seizure_inducer_weak barbiturate gabapentinoid cephalosporin
side_chain_aminobenzyl side_chain_methoxyimino side_chain_ceftazidime penicillin aminoglycoside tetracycline sulfonamide macrolide
azole_antifungal vasopressor direct_oral_anticoagulant anticoagulant_prophylaxis vitamin_k_antagonist contraceptive_hormonal
emergency_contraceptive immunosuppressant_calcineurin immunosuppressant_mtor boosted_antiviral hepatitis_c_antiviral kinase_inhibitor
glucocorticoid thiazide loop_diuretic potassium_binder phosphate_salt magnesium calcium chelating_cation neuromuscular_blocker
non_depolarising_blocker antidepressant_ssri tricyclic monoamine_oxidase_inhibitor antipsychotic statin seizure_threshold_lowering beta_blocker
calcium_channel_blocker conduction_slowing propylene_glycol_solvent
"""
SHARED_CONCEPTS = """
seizure epilepsy status_epilepticus eclampsia pregnancy diabetes_type_1 diabetes diabetic_ketoacidosis ketoacidosis hyperosmolar_state
heart_failure ckd_4_5 end_stage_renal dialysis acute_kidney_injury anuria_oliguria sepsis septic_shock meningitis encephalitis infection
stroke brain_injury brain_tumour cns_infection alcohol_withdrawal sedative_withdrawal haemorrhage cirrhosis hepatic_failure av_block
sick_sinus functional_seizure febrile_seizure poisoning heart_disease
diabetes_pancreatic ischaemic_heart_disease myocardial_infarction valve_disease cardiomyopathy arrhythmia sinus_bradycardia sinoatrial_block
adams_stokes torsades cardiac_arrest pacemaker mechanical_heart_valve venous_thromboembolism shock bleeding advanced_liver_disease pancreatitis
adrenal_insufficiency porphyria hyponatraemia acute_hyponatraemia osmotic_demyelination alcohol_use_disorder malnutrition refeeding_risk
eating_disorder hyperemesis delivery postpartum hysterectomy sterilisation poisoning_tricyclic poisoning_salicylate
poisoning_sodium_channel_blocker poisoning_calcium_channel_blocker poisoning_beta_blocker poisoning_valproate poisoning_isoniazid
poisoning_theophylline poisoning_cocaine poisoning_stimulant poisoning_local_anaesthetic poisoning_benzodiazepine poisoning_opioid
severe_asthma respiratory_failure ventilator_dependence stridor tetany paralysis myasthenia_gravis neuromuscular_disease haemolysis
rhabdomyolysis brain_oedema cranial_nerve_palsy abnormal_posturing headache vomiting neurosurgery focal_neurological_deficit absence_seizure
focal_aware_seizure focal_impaired_seizure delirium confusion fever neck_stiffness bacteraemia cystitis prostatitis catheter_associated_uti
urinary_obstruction abscess endocarditis neutropenia colonisation frailty end_of_life asian_ancestry hlab1502 urea_cycle_disorder
mitochondrial_disease pre_eclampsia first_degree_av_block
"""


def test_shared_names_are_there() -> None:
    assert set(CLASSES) >= set(SHARED_CLASSES.split())
    assert set(CONCEPTS) >= set(SHARED_CONCEPTS.split())
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", name) for name in {*ANALYTES, *DRUGS, *CLASSES, *CONCEPTS})


def test_generated_tables_are_current() -> None:
    done = subprocess.run([sys.executable, "deploy/generate/vocabulary.py", "--check"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_control_a_stale_table_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: a table edited by hand fails the check."""
    spec = importlib.util.spec_from_file_location("generate_vocabulary", ROOT / "deploy" / "generate" / "vocabulary.py")
    assert spec is not None and spec.loader is not None
    generator = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generator)
    edited = tmp_path / "table.py"
    edited.write_text(generator.TARGET.read_text(encoding="utf-8").replace('"8183"', '"8184"'), encoding="utf-8")
    monkeypatch.setattr(generator, "TARGET", edited)
    monkeypatch.setattr(sys, "argv", ["vocabulary.py", "--check"])
    assert generator.main() == 1


def test_importing_reads_no_file() -> None:
    """The tables are Python: no TOML is opened at import, so the core stays free of files."""
    program = "import sys; import cds.vocabulary; print([m for m in ('tomllib', 'pathlib', 'json') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-S", "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_labunits_names_the_same_analytes() -> None:
    """labunits 0.2.1 keys its names by LOINC: where both know a code, the names speak of the same thing."""
    import json
    from importlib import resources

    pytest.importorskip("labunits", reason="labunits is not installed")
    data = json.loads((resources.files("labunits") / "data" / "analytes.json").read_text(encoding="utf-8"))
    words = {
        "urea": "urea",
        "egfr": "glomerular",
        "crp": "reactive",
        "alt": "alanine",
        "ast": "aspartate",
        "hba1c": "a1c",
        "inr": "inr",
        "beta_hydroxybutyrate": "hydroxybut",
    }
    shared = [(code, use) for (system, code), use in _tables.CODES.items() if system == LOINC and code in data]
    assert len(shared) >= 15
    for code, (analyte, _, _, kind) in shared:
        word = "carbon dioxide" if kind == "total carbon dioxide" else words.get(analyte, analyte.split("_")[0][:6])
        name = data[code]["name"].lower().replace("-", "")
        assert word in name, (code, analyte, data[code]["name"])
