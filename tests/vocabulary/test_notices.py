"""Every code system whose codes are in the tables has its holder's notice beside them.

Wordings: the LOINC licence, section on notices; SNOMED International's and the National Library of Medicine's statements; the copyright
page of the WHO Collaborating Centre; the UCUM licence; the HL7 terminology licence. Seen in public files that quote them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from cds.vocabulary import ATC, ICD_10, ICD_10_CM, INTERPRETATION, LOINC, RXNORM, SNOMED_CT, UCUM, _tables

README = Path(__file__).parents[2] / "cds" / "vocabulary" / "README.md"

NOTICES = {
    LOINC: (
        "This material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc.",
        "is available at no cost under the license at http://loinc.org/license. LOINC® is a registered United States trademark",
    ),
    SNOMED_CT: (
        "This material includes SNOMED Clinical Terms® (SNOMED CT®) which is used by permission of SNOMED International.",
        "must have the appropriate SNOMED CT Affiliate license.",
    ),
    RXNORM: (
        "This product uses publicly available data from the U.S. National Library of Medicine (NLM)",
        "NLM is not responsible for the product and does not endorse or recommend this or any other product.",
    ),
    ATC: (
        "Use of all or parts of the material requires reference to the WHO Collaborating Centre for Drug Statistics Methodology.",
        "Copying and distribution for commercial purposes is not allowed. Changing or manipulating the material is not allowed.",
    ),
    UCUM: (
        "This product includes all or a portion of the UCUM table, UCUM codes, and UCUM definitions or is derived from it",
        'ARE PROVIDED "AS IS."',
    ),
    ICD_10: ("is copyright World Health Organization.",),
    ICD_10_CM: ("is in the public domain.",),
    INTERPRETATION: ("This material derives from the HL7 Terminology (THO).", "made available under the CC0 designation."),
}


def missing(text: str, systems: set[str]) -> set[str]:
    """Systems that the text does not name, or whose notice it does not hold in full; line breaks do not matter."""
    flat = " ".join(text.split())
    return {system for system in systems if f"`{system}`" not in flat or not all(part in flat for part in NOTICES.get(system, ("\0",)))}


SYSTEMS = {system for system, _ in _tables.CHECKED} | {UCUM}


def test_every_system_in_the_tables_has_its_notice() -> None:
    assert len(SYSTEMS) == 8
    assert missing(README.read_text(encoding="utf-8"), SYSTEMS) == set()


@pytest.mark.parametrize("system", sorted(NOTICES))
def test_control_a_notice_cut_or_a_system_without_one_is_found(system: str) -> None:
    """Control: each notice's last words taken away turn the check red, and so does a system that nobody thought of."""
    text = " ".join(README.read_text(encoding="utf-8").split())
    assert missing(text.replace(NOTICES[system][-1], ""), {system}) == {system}
    assert missing(text, {"urn:a-new-system"}) == {"urn:a-new-system"}
