"""Each drug of a class stands in the part of the ATC that its class is about: a drug in the wrong class, or a mistyped code, shows.

The groups are those of the WHO ATC index: J01 antibacterials for systemic use, N03A antiepileptics, B01A antithrombotic agents, and so on.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from cds.vocabulary import ATC, DRUGS, class_members, drug_of
from cds.vocabulary.drugs import Drug

# class: ATC groups, in one of which every member with an ATC code has at least one
FITS = {
    "insulin": "A10A",
    "glucose_lowering": "A10",
    "sglt2_inhibitor": "A10BK",
    "sulfonylurea": "A10BB",
    "meglitinide": "A10BX",
    "metformin": "A10BA",
    "potassium_salt": "A12B B05XA",
    "phosphate_salt": "B05XA",
    "magnesium": "A12CC B05XA",
    "calcium": "A12A B05XA",
    "potassium_binder": "V03AE",
    "antibacterial": "J01",
    "penicillin": "J01C",
    "cephalosporin": "J01D",
    "carbapenem": "J01DH",
    "fluoroquinolone": "J01MA",
    "aminoglycoside": "J01G",
    "tetracycline": "J01AA",
    "macrolide": "J01FA",
    "sulfonamide": "J01E",
    "side_chain_aminobenzyl": "J01C J01D",
    "side_chain_methoxyimino": "J01D",
    "side_chain_ceftazidime": "J01D",
    "azole_antifungal": "J02A",
    "boosted_antiviral": "J05AE V03AX",
    "hepatitis_c_antiviral": "J05AP",
    "anti_seizure": "N03A N02BF",
    "anti_seizure_inducer_strong": "N03A",
    "anti_seizure_inducer_weak": "N03A",
    "benzodiazepine": "N05BA N05CD N03AE",
    "barbiturate": "N03AA N05C N01AF",
    "anaesthetic_agent": "N01A N05C",
    "gabapentinoid": "N02BF",
    "opioid": "N02A N01AH N07BC R05DA",
    "antidepressant_ssri": "N06AB",
    "tricyclic": "N06AA",
    "monoamine_oxidase_inhibitor": "N06A",
    "antipsychotic": "N05A",
    "neuromuscular_blocker": "M03A",
    "non_depolarising_blocker": "M03AC",
    "nsaid": "M01A",
    "ace_inhibitor": "C09A C09B",
    "angiotensin_receptor_blocker": "C09C C09D",
    "aldosterone_antagonist": "C03DA",
    "thiazide": "C03A C03B C03EA",
    "loop_diuretic": "C03C C03EB",
    "beta_blocker": "C07",
    "calcium_channel_blocker": "C08",
    "statin": "C10AA",
    "vasopressor": "C01C H01BA",
    "heparin": "B01AB",
    "direct_oral_anticoagulant": "B01AF B01AE",
    "vitamin_k_antagonist": "B01AA",
    "anticoagulant_prophylaxis": "B01A",
    "glucocorticoid": "H02AB",
    "contraceptive_hormonal": "G03",
    "emergency_contraceptive": "G03A",
    "immunosuppressant_calcineurin": "L04AD",
    "immunosuppressant_mtor": "L04A",
    "kinase_inhibitor": "L01E",
    "theophylline_like": "R03DA",
    "local_anaesthetic": "N01BB",
    "thiamine": "A11D",
    "crystalloid": "B05",
}


def misfits(cls: str, prefixes: str, drugs: Mapping[str, Drug]) -> list[str]:
    """Members of the class with ATC codes of which none lies in the groups given."""
    starts = tuple(prefixes.split())
    members = (drug for drug in drugs.values() if cls in drug.classes)
    return [drug.name for drug in members if drug.atc and not any(code.startswith(starts) for code in drug.atc)]


@pytest.mark.parametrize(("cls", "prefixes"), FITS.items())
def test_every_member_fits_its_class(cls: str, prefixes: str) -> None:
    assert class_members(cls), cls
    assert misfits(cls, prefixes, DRUGS) == []


@pytest.mark.parametrize(("cls", "prefixes"), FITS.items())
def test_control_a_stranger_in_the_class_is_found(cls: str, prefixes: str) -> None:
    """Control: a drug with a code of elsewhere, put into the class, is reported."""
    stranger = Drug("stranger", "a stranger", frozenset({cls}), ("P02CX01",), ())
    assert misfits(cls, prefixes, {**DRUGS, "stranger": stranger}) == ["stranger"]


# The other way round: everything known in such a group is in the class.
WHOLE_GROUPS = {
    "J01": "antibacterial",
    "J01DH": "carbapenem",
    "J01MA": "fluoroquinolone",
    "J01G": "aminoglycoside",
    "J01AA": "tetracycline",
    "J01FA": "macrolide",
    "J01DB": "cephalosporin",
    "J01DD": "cephalosporin",
    "J01CA": "penicillin",
    "J01CF": "penicillin",
    "A10A": "insulin",
    "A10BK": "sglt2_inhibitor",
    "N03A": "anti_seizure",
    "N05BA": "benzodiazepine",
    "N02A": "opioid",
    "N06AA": "tricyclic",
    "N06AB": "antidepressant_ssri",
    "M01A": "nsaid",
    "C09A": "ace_inhibitor",
    "C09C": "angiotensin_receptor_blocker",
    "C03DA": "aldosterone_antagonist",
    "M03A": "neuromuscular_blocker",
    "B01AA": "vitamin_k_antagonist",
    "B01AF": "direct_oral_anticoagulant",
    "H02AB": "glucocorticoid",
    "L04AD": "immunosuppressant_calcineurin",
    "C07": "beta_blocker",
}
# clonazepam is an anti-seizure medicine by its ATC code and a benzodiazepine by our classes
EXCEPT = {"clonazepam", "other_benzodiazepine"}


@pytest.mark.parametrize(("group", "cls"), WHOLE_GROUPS.items())
def test_nobody_of_the_group_is_left_out(group: str, cls: str) -> None:
    left_out = [drug.name for drug in DRUGS.values() if any(code.startswith(group) for code in drug.atc) and cls not in drug.classes]
    assert [name for name in left_out if name not in EXCEPT] == []


@pytest.mark.parametrize(
    ("code", "names"),
    [
        ("N02AJ13", ("tramadol", "paracetamol")),  # a threshold-lowering drug inside a tablet for pain
        ("N02AJ06", ("codeine", "paracetamol")),
        ("A10BD14", ("metformin", "repaglinide")),
        ("J05AR10", ("hiv_protease_inhibitor", "ritonavir")),
        ("J05AR19", ("rilpivirine",)),
        ("J05AP55", ("sofosbuvir", "hepatitis_c_antiviral")),
        ("J01DH56", ("imipenem", "cilastatin")),
        ("J01EE02", ("sulfonamide_with_trimethoprim",)),
        ("C03EA01", ("thiazide_with_potassium_sparing",)),
        ("C09BX01", ("other_ace_inhibitor",)),  # perindopril, amlodipine and indapamide
        ("C09DX01", ("other_arb",)),  # valsartan, amlodipine and hydrochlorothiazide
        ("J01DD54", ("ceftriaxone",)),
        ("J01RA10", ("ciprofloxacin", "metronidazole")),
        ("J04AM05", ("rifampicin", "isoniazid")),
        ("N06CA01", ("amitriptyline",)),
        ("N03AG02", ("valproate",)),  # valpromide
        ("A10BX12", ("empagliflozin",)),  # before it moved to A10BK03
        ("L01XE12", ("vandetanib",)),
    ],
)
def test_no_part_of_a_tablet_is_missed(code: str, names: tuple[str, ...]) -> None:
    assert drug_of(ATC, code) == names


@pytest.mark.parametrize("code", ["C03AB01", "C03BB04", "C03CB01", "B05BA10", "G03AC06", "G02BA03", "A07AA09"])
def test_what_would_be_half_known_stays_unrecognised(code: str) -> None:
    """Diuretics with potassium, parenteral nutrition, a depot, a coil, vancomycin by mouth: half a meaning would hide "not recognised"."""
    assert drug_of(ATC, code) == ()
