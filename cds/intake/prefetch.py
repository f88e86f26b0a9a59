"""The lists that Trivet asks the EHR for, and which item may come from which list.

One key for each group of analytes, newest first, with a page size: a client that sends page one only has then still sent
everything back to the oldest entry (F-39). Orders and conditions have no page size: a list of orders that was cut is never
complete.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from cds.vocabulary import LOINC, codes_of, culture_codes

ANALYTE_GROUPS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "glucose": ("glucose", "hba1c"),
        "electrolytes": ("potassium", "sodium", "chloride"),
        "acid_base": ("ph", "pco2", "po2", "bicarbonate", "base_excess"),
        "ketones": ("beta_hydroxybutyrate", "urine_ketones"),
        "lactate_osmolality": ("lactate", "osmolality", "ethanol"),
        "renal": ("creatinine", "urea", "egfr", "creatinine_clearance", "urine_output"),
        "minerals": ("magnesium", "phosphate", "calcium_total", "calcium_ionised", "albumin"),
        "vitals": (
            "heart_rate", "respiratory_rate", "temperature", "spo2", "systolic", "diastolic", "mean_pressure",
            "oxygen_flow", "inspired_oxygen", "pr_interval", "qt", "qtc",
        ),
        "consciousness": ("gcs", "gcs_eye", "gcs_motor", "gcs_verbal", "avpu"),
        "body": ("weight", "height", "pregnancy_status", "gestational_age", "hcg"),
        "levels": (
            "phenytoin_total", "phenytoin_free", "valproate_level", "carbamazepine_level", "phenobarbital_level",
            "theophylline_level", "lithium_level", "digoxin_level", "vancomycin_level", "salicylate", "paracetamol_level",
            "ammonia", "bilirubin", "alt", "ast", "inr", "crp", "procalcitonin", "creatine_kinase",
        ),
    }
)  # fmt: skip

PAGE: Final[Mapping[str, int]] = MappingProxyType(
    {
        "glucose": 100,
        "electrolytes": 150,
        "acid_base": 150,
        "ketones": 60,
        "lactate_osmolality": 60,
        "renal": 100,
        "minerals": 100,
        "vitals": 200,
        "consciousness": 100,
        "body": 40,
        "levels": 100,
    }
)

PANELS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({"vitals": ("85354-9",)})


def _observations(key: str) -> str:
    codes: dict[str, None] = dict.fromkeys(PANELS.get(key, ()))
    for analyte in ANALYTE_GROUPS[key]:
        codes.update(dict.fromkeys(code for system, code in codes_of(analyte) if system == LOINC))
    listed = ",".join(f"{LOINC}|{code}" for code in codes)
    return f"Observation?patient={{{{context.patientId}}}}&code={listed}&_sort=-date&_count={PAGE[key]}"


def _cultures() -> str:
    listed = ",".join(f"{system}|{code}" for system, code in culture_codes())
    return f"Observation?patient={{{{context.patientId}}}}&code={listed}"


PREFETCH: Final[Mapping[str, str]] = MappingProxyType(
    {
        "patient": "Patient/{{context.patientId}}",
        "conditions": "Condition?patient={{context.patientId}}",
        "medications": "MedicationRequest?patient={{context.patientId}}",
        "administrations": "MedicationAdministration?patient={{context.patientId}}",
        "allergies": "AllergyIntolerance?patient={{context.patientId}}",
        "procedures": "Procedure?patient={{context.patientId}}",
        "investigations": "ServiceRequest?patient={{context.patientId}}",
        "cultures": _cultures(),
        **{key: _observations(key) for key in ANALYTE_GROUPS},
    }
)
"""Prefetch key to relative FHIR search, in the simple subset of CDS Hooks 2.0."""

ITEM_KEYS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        **{analyte: (key,) for key, analytes in ANALYTE_GROUPS.items() for analyte in analytes},
        "patient": ("patient",),
        "conditions": ("conditions",),
        "medications": ("medications",),
        "administrations": ("administrations",),
        "allergies": ("allergies",),
        "procedures": ("procedures",),
        "investigations": ("investigations",),
        "cultures": ("cultures",),
    }
)
"""Item (an analyte, "conditions", "medications" ...) to the keys that it may come from."""
