"""Our names for what is measured, given and diagnosed, and the codes of other systems that mean them.

Generated from the TOML files beside it; nothing is read from disk here. A code that is not in a table is not recognised, and is
never matched by its display text. README.md holds the licences of the code systems.
"""

from __future__ import annotations

from cds.vocabulary import _tables
from cds.vocabulary.analytes import ANALYTES, Analyte, CodeUse, allowable_error, analyte_code, analyte_of, codes_of, is_panel
from cds.vocabulary.conditions import CONCEPTS, Concept, conditions_of
from cds.vocabulary.cultures import culture_codes, culture_of, interpretation_from_text, interpretation_of, parts_tested, susceptibility_of
from cds.vocabulary.drugs import CLASSES, DRUGS, Drug, class_members, diluent_from_text, drug_in_class, drug_of
from cds.vocabulary.routes import ROUTE_CODES, Route, line_from_text, route_from_text, route_of
from cds.vocabulary.systems import ATC, ICD_10, ICD_10_CM, INTERPRETATION, LOINC, RXNORM, SNOMED_CT, UCUM

__all__ = [
    "ANALYTES",
    "ATC",
    "CLASSES",
    "CONCEPTS",
    "DRUGS",
    "ICD_10",
    "ICD_10_CM",
    "INTERPRETATION",
    "LOINC",
    "ROUTE_CODES",
    "RXNORM",
    "SNOMED_CT",
    "UCUM",
    "Analyte",
    "CodeUse",
    "Concept",
    "Drug",
    "Route",
    "allowable_error",
    "analyte_code",
    "analyte_of",
    "class_members",
    "codes_of",
    "conditions_of",
    "culture_codes",
    "culture_of",
    "diluent_from_text",
    "drug_in_class",
    "drug_of",
    "how_checked",
    "interpretation_from_text",
    "interpretation_of",
    "is_panel",
    "line_from_text",
    "parts_tested",
    "route_from_text",
    "route_of",
    "susceptibility_of",
]


def how_checked(system: str, code: str) -> str | None:
    """How a code and its meaning were confirmed: "seen", "converted pair", "public file" or "from memory"; None if not ours."""
    return _tables.CHECKED.get((system, code))
