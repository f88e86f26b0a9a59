"""Drugs by code, their classes, and fluids read from text."""

from __future__ import annotations

import pytest

from cds.vocabulary import ATC, DRUGS, RXNORM, SNOMED_CT, class_members, diluent_from_text, drug_in_class, drug_of

# ingredient, RxNorm, ATC: RxNorm prescribable content 2025-10-06, WHO ATC index 2026-04-25; second column "-" where none is known
CODED = """
phenytoin 8183 N03AB02 | fosphenytoin 72236 N03AB05 | levetiracetam 114477 N03AX14 | valproate 40254 N03AG01
valproate 11118 N03AG01 | valproate 266856 N03AG01 | lorazepam 6470 N05BA06 | midazolam 6960 N05CD08
clobazam 21241 N05BA09 | insulin_soluble 253182 A10AB01 | insulin_isophane 253181 A10AC01 | insulin_isophane 1605101 A10AC01
potassium_chloride 8591 B05XA01 | potassium_chloride 8591 A12BA01 | potassium_phosphate 34322 B05XA06 | gentamicin 1596450 J01GB03
gabapentin 25480 N02BF01 | gabapentin 25480 N03AX12 | pregabalin 187832 N03AX16 | metronidazole 6922 J01XD01
metronidazole 6922 P01AB01 | nitrofurantoin 7454 J01XE01 | ciclosporin 3008 L04AD01 | meropenem 29561 J01DH02
empagliflozin 1545653 A10BK03 | magnesium_sulfate 6585 B05XA05 | thiopental 10493 N01AF03 | isotretinoin 6064 D10BA01
fampridine 897018 N07XX07 | bupropion 42347 N06AX12 | sodium_chloride 9863 B05XA03 | glucose 4850 B05CX01
"""


@pytest.mark.parametrize("row", [row for line in CODED.strip().splitlines() for row in line.split(" | ")])
def test_ingredients(row: str) -> None:
    name, rxnorm, atc = row.split()
    assert drug_of(RXNORM, rxnorm) == (name,)
    assert drug_of(ATC, atc) == (name,)


@pytest.mark.parametrize(
    ("system", "code", "names"),
    [
        (RXNORM, "74169", ("piperacillin", "tazobactam")),
        (RXNORM, "34482", ("imipenem", "cilastatin")),
        (RXNORM, "10831", ("sulfamethoxazole", "trimethoprim")),
        (ATC, "J01CR05", ("piperacillin", "tazobactam")),
        (ATC, "J01DH51", ("imipenem", "cilastatin")),
        (ATC, "J05AE30", ("nirmatrelvir", "ritonavir")),
        (ATC, "A10BD20", ("metformin", "empagliflozin")),
        (ATC, "A08AA62", ("bupropion",)),
        (ATC, "C09DX04", ("valsartan", "sacubitril")),
    ],
)
def test_combinations_name_every_part(system: str, code: str, names: tuple[str, ...]) -> None:
    assert drug_of(system, code) == names


@pytest.mark.parametrize("number", ["15", "16", "19", "20", "21", "23", "24", "25", "27", "29", "30"])
def test_sglt2_inhibitors_inside_combinations(number: str) -> None:
    """A16: an SGLT2 inhibitor in a combination tablet is one. ATC group A10BD, from memory."""
    assert any(drug_in_class(name, "sglt2_inhibitor") for name in drug_of(ATC, f"A10BD{number}"))


@pytest.mark.parametrize(
    ("code", "cls"),
    [
        ("A10BB31", "sulfonylurea"),
        ("A10BB", "sulfonylurea"),
        ("A10BK07", "sglt2_inhibitor"),
        ("A10BD99", "glucose_lowering"),
        ("J01DH06", "carbapenem"),
        ("J01MA23", "fluoroquinolone"),
        ("J01CA10", "antibacterial"),
        ("N05BA12", "benzodiazepine"),
        ("M01AE02", "nsaid"),
        ("C09AA01", "ace_inhibitor"),
        ("A10AD01", "premixed_insulin"),
        ("A10AE54", "basal_insulin"),
        ("N02AA55", "opioid"),
        ("N03AX17", "anti_seizure"),
        ("C09CA07", "potassium_raising"),
    ],
)
def test_atc_groups(code: str, cls: str) -> None:
    """A member without a row of its own still has the classes that its whole group has."""
    (name,) = drug_of(ATC, code)
    assert drug_in_class(name, cls)


@pytest.mark.parametrize(
    ("system", "code"),
    [
        (RXNORM, "313782"),  # a clinical drug
        (RXNORM, "5856"),  # insulin of unspecified kind
        (RXNORM, "4737"),  # gentamicin before its number changed
        (ATC, "S01AE03"),  # ciprofloxacin eye drops
        (ATC, "D06BX01"),  # metronidazole cream
        (ATC, "S01AX13"),
        (ATC, "A10"),
        (ATC, "j01dh02"),
        (ATC, "J01DH0"),
        (ATC, "J01DH02X"),
        (ATC, ""),
        (SNOMED_CT, "387517004"),
        ("urn:local", "8183"),
    ],
)
def test_unknown_codes_are_not_recognised(system: str, code: str) -> None:
    """Products, other systems, near misses and topical forms: never guessed."""
    assert drug_of(system, code) == ()


def test_classes() -> None:
    assert class_members("insulin_intravenous_suitable") == {"insulin_soluble"}
    assert class_members("no such class") == frozenset()
    assert not drug_in_class("insulin_glargine", "insulin_intravenous_suitable")
    assert drug_in_class("phenytoin", "phenytoin") and not drug_in_class("fosphenytoin", "phenytoin")
    assert not drug_in_class("nobody", "insulin")
    assert class_members("crystalloid") == {"sodium_chloride", "electrolyte_solution"}
    assert class_members("potassium_phosphate") < class_members("potassium_salt")
    assert not class_members("potassium_raising") & class_members("potassium_salt")


def test_every_class_member_has_a_name_and_every_drug_a_label() -> None:
    for name, drug in DRUGS.items():
        assert drug.name == name and drug.label
        assert all(name in class_members(cls) for cls in drug.classes)


# starter list of QT-prolonging drugs by label (B8)
QT = """
amiodarone sotalol dofetilide quinidine procainamide disopyramide haloperidol droperidol chlorpromazine ziprasidone citalopram escitalopram
ondansetron domperidone methadone azithromycin clarithromycin erythromycin levofloxacin moxifloxacin ciprofloxacin fluconazole voriconazole
pentamidine chloroquine hydroxychloroquine vandetanib arsenic_trioxide
"""


def test_qt_list() -> None:
    assert class_members("qt_prolonging") == set(QT.split())


TEXTS = [
    ("in 250 mL NaCl 0.9%", ("sodium_chloride",)),
    ("0.9 % saline 100 mL", ("sodium_chloride",)),
    ("in 100 mL 5 % glucose", ("glucose",)),
    ("Dilute in D5W", ("glucose",)),
    ("Dextrose 5% and sodium chloride 0.45%", ("glucose", "sodium_chloride")),
    ("dilute in NS only", ("sodium_chloride",)),
    ("in LR", ("electrolyte_solution",)),
    ("Hartmann's solution", ("electrolyte_solution",)),
    ("lactated Ringer\u2019s", ("electrolyte_solution",)),
    ("water for injection 10 mL", ("water",)),
    ("not in dextrose, use sodium chloride 0.9%", ("sodium_chloride",)),
    ("Never dextrose. Saline only", ("sodium_chloride",)),
    ("dilute in 0.9% sodium chloride (not glucose 5%)", ("sodium_chloride",)),
    ("incompatible with dextrose", ()),
    ("don\u2019t use dextrose", ()),
    ("dextrose-free", ()),
    ("check glucose hourly", ()),
    ("ns", ()),
    ("salinex", ()),
    ("", ()),
]


@pytest.mark.parametrize(("text", "fluids"), TEXTS)
def test_f_16_fluids_in_text(text: str, fluids: tuple[str, ...]) -> None:
    assert diluent_from_text(text) == fluids


def test_a_huge_text_is_cut_not_chewed() -> None:
    assert diluent_from_text("x " * 100_000 + "saline") == ()
