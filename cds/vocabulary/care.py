"""Procedures, devices, investigations and reactions to a medicine: codes to our names.

SNOMED CT codes from memory, checked by their check digit alone; LOINC codes as in the tables. A code that is not here is not recognised, and never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from cds.vocabulary.systems import LOINC, SNOMED_CT

CARE: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        (SNOMED_CT, "40617009"): "ventilator_dependence",  # artificial respiration
        (SNOMED_CT, "243147009"): "ventilator_dependence",  # controlled ventilation
        (SNOMED_CT, "112798008"): "ventilator_dependence",  # insertion of an endotracheal tube
        (SNOMED_CT, "26412008"): "ventilator_dependence",  # endotracheal tube
        (SNOMED_CT, "265764009"): "dialysis",  # renal dialysis
        (SNOMED_CT, "302497006"): "dialysis",  # haemodialysis
        (SNOMED_CT, "71192002"): "dialysis",  # peritoneal dialysis
        (SNOMED_CT, "714749008"): "dialysis",  # continuous renal replacement
        (SNOMED_CT, "386216000"): "delivery",  # childbirth
        (SNOMED_CT, "177184002"): "delivery",  # normal delivery
        (SNOMED_CT, "11466000"): "delivery",  # caesarean section
        (SNOMED_CT, "236886002"): "hysterectomy",
        (SNOMED_CT, "287664005"): "sterilisation",  # ligation of the tubes
        (SNOMED_CT, "307280005"): "pacemaker",  # implantation of a pacemaker (DICOM context group 3721)
        (SNOMED_CT, "25267002"): "pacemaker",  # insertion of an intracardiac pacemaker (HL7's example of a Procedure)
    }
)
"""What a procedure or a device is, by one of our names for a condition."""

INVESTIGATIONS: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        (LOINC, "11524-6"): "ecg",
        (LOINC, "34534-8"): "ecg",
        (SNOMED_CT, "29303009"): "ecg",
        (LOINC, "11523-8"): "eeg",
        (SNOMED_CT, "54550000"): "eeg",
        (SNOMED_CT, "277762005"): "csf_culture",  # lumbar puncture
    }
)
"""Investigations that no result of ours stands for."""

REACTIONS: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        (SNOMED_CT, "39579001"): "severe immediate",  # anaphylaxis
        (SNOMED_CT, "41291007"): "severe immediate",  # angioedema
        (SNOMED_CT, "4386001"): "severe immediate",  # bronchospasm
        (SNOMED_CT, "45007003"): "severe immediate",  # low blood pressure
        (SNOMED_CT, "126485001"): "severe immediate",  # urticaria (R-n77)
        (SNOMED_CT, "73442001"): "severe delayed",  # Stevens-Johnson syndrome
        (SNOMED_CT, "768962006"): "severe delayed",  # toxic epidermal necrolysis
        (SNOMED_CT, "702809001"): "severe delayed",  # reaction with eosinophilia and systemic symptoms
        (SNOMED_CT, "61261009"): "severe delayed",  # haemolytic anaemia
        (SNOMED_CT, "271807003"): "mild",  # eruption of skin
        (SNOMED_CT, "418290006"): "mild",  # itching
        (SNOMED_CT, "418363000"): "mild",  # itching of skin
        (SNOMED_CT, "422587007"): "not allergy",  # nausea
        (SNOMED_CT, "422400008"): "not allergy",  # vomiting
        (SNOMED_CT, "62315008"): "not allergy",  # diarrhoea
        (SNOMED_CT, "25064002"): "not allergy",  # headache
        (SNOMED_CT, "79740000"): "not allergy",  # candidiasis of mouth
    }
)
"""The group of a reaction."""

SEVERE_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        **dict.fromkeys(
            (
                "anaphyla*", "angioedema", "angio-oedema", "angiooedema", "bronchospasm*", "wheez*", "stridor", "hypotension", "low blood pressure", "urticaria*", "hives",
                "throat swelling", "swelling of throat", "swelling of the throat", "tongue swelling", "swelling of tongue", "swelling of the tongue", "collapse*",
            ),
            "severe immediate",
        ),
        **dict.fromkeys(
            (
                "stevens*", "sjs", "necrolysis", "dress", "serum sickness", "haemoly*", "hemoly*", "organ injury", "liver injury", "kidney injury", "hepatitis",
                "interstitial nephritis", "nephritis", "agranulocytosis",
            ),
            "severe delayed",
        ),
    }
)  # fmt: skip
"""Words that make a reaction severe; "x*" is the beginning of a word. Text may raise the group and never lower it: "rash" in words stays unknown."""

ALLERGENS: Final[Mapping[tuple[str, str], tuple[str, ...]]] = MappingProxyType(
    {
        (SNOMED_CT, "91936005"): ("penicillin",),  # allergy to penicillin
        (SNOMED_CT, "764146007"): ("penicillin",),  # penicillin (substance)
        (SNOMED_CT, "373270004"): ("penicillin",),  # penicillin
        (SNOMED_CT, "294532003"): ("cephalosporin",),  # allergy to cephalosporin
        (SNOMED_CT, "91939003"): ("sulfonamide",),  # allergy to sulfonamide
    }
)
"""Allergies to a class."""

ALLERGEN_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "penicillin": "penicillin",
        "cephalosporin": "cephalosporin",
        "cefalosporin": "cephalosporin",
        "carbapenem": "carbapenem",
        "sulfonamide": "sulfonamide",
        "sulphonamide": "sulfonamide",
    }
)
"""Words that name a class, used only where no code does: they raise a question and lower none."""

DRUG_WORDS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "amoxycillin": ("amoxicillin",),
        "co-amoxiclav": ("amoxicillin", "clavulanate"),
        "cephalexin": ("cefalexin",),
        "cephazolin": ("cefazolin",),
        "co-trimoxazole": ("sulfamethoxazole", "trimethoprim"),
        "phenobarbitone": ("phenobarbital",),
    }
)
"""Other spellings of our names for drugs, for what an allergy is to; the names themselves are read too."""

_ABSENT: Final = "http://hl7.org/fhir/uv/ips/CodeSystem/absent-unknown-uv-ips"
NONE_KNOWN: Final[frozenset[tuple[str, str]]] = frozenset(
    (
        (SNOMED_CT, "716186003"),  # no known allergy
        (SNOMED_CT, "409137002"),  # no known drug allergy
        (_ABSENT, "no-known-allergies"),
        (_ABSENT, "no-known-medication-allergies"),
    )
)
"""That no allergy to a medicine is known. Only a code says so: "NKDA" in words does not, and an empty list says nothing."""

NO_INFORMATION: Final = (_ABSENT, "no-allergy-info")
"""That nobody knows: it says as little as an empty list."""

GROWTH: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        (SNOMED_CT, "10828004"): "positive",
        (SNOMED_CT, "260385009"): "negative",
        (SNOMED_CT, "264868006"): "negative",  # no growth
        (SNOMED_CT, "260415000"): "negative",  # not detected
        (LOINC, "LA6576-8"): "positive",
        (LOINC, "LA6577-6"): "negative",
        (LOINC, "LA11882-0"): "positive",  # detected
        (LOINC, "LA11883-8"): "negative",  # not detected
    }
)
"""What a coded answer says of growth, without an organism."""

ORGANISMS: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        (SNOMED_CT, "112283007"): "Escherichia coli",
        (SNOMED_CT, "3092008"): "Staphylococcus aureus",
        (SNOMED_CT, "115329001"): "Staphylococcus aureus, methicillin-resistant (MRSA)",
        (SNOMED_CT, "56415008"): "Klebsiella pneumoniae",
        (SNOMED_CT, "52499004"): "Pseudomonas aeruginosa",
    }
)
"""Names of organisms whose code was sent without one. Any other organism is called as it was sent."""
