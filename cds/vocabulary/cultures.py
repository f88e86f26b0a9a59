"""Cultures: which specimen was cultured, which drug was tested, and what the answer means. LOINC and HL7 codes."""

from __future__ import annotations

from cds.vocabulary import _tables

SPECIMENS = ("blood", "urine", "csf", "other")


def culture_of(system: str, code: str) -> str | None:
    """The specimen of which a code is the culture: "blood", "urine", "csf" or "other"; None when it is not recognised."""
    return _tables.CULTURES.get((system, code))


def culture_codes() -> tuple[tuple[str, str], ...]:
    """Every code (system, code) of a culture or of a susceptibility, to ask for."""
    return (*_tables.CULTURES, *_tables.SUSCEPTIBILITY)


def susceptibility_of(system: str, code: str) -> str | None:
    """The drug whose susceptibility a code reports, by our name; None when it is not recognised.

    A combination stands under one name: clavulanate (amoxicillin with clavulanate), tazobactam (piperacillin with tazobactam),
    sulfamethoxazole (with trimethoprim). `parts_tested` gives all of it.
    """
    found = _tables.SUSCEPTIBILITY.get((system, code))
    return None if found is None else found[0]


def parts_tested(system: str, code: str) -> tuple[str, ...]:
    """Every ingredient that a susceptibility code tests as one, the name of `susceptibility_of` first; () when it is not recognised.

    For an order of a combination its own result decides: amoxicillin resistant says nothing of amoxicillin with clavulanate.
    """
    return _tables.SUSCEPTIBILITY.get((system, code), ())


def interpretation_of(system: str, code: str) -> str | None:
    """What a coded answer says of a drug: "S", "I" (susceptible by a higher exposure) or "R"; None when it is not one of these."""
    return _tables.INTERPRETATIONS.get((system, code))


def interpretation_from_text(text: str) -> str | None:
    """The same from a text that holds nothing else ("resistant", "R"). Whole, in any case; a number (MIC) is never judged."""
    return _tables.INTERPRETATION_TEXTS.get(" ".join(text.lower().split()))
