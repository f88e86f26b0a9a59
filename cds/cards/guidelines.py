"""Where guidelines differ about a number that decided: said on the card when this patient's value lies between what they print (HZ-25)."""

from __future__ import annotations

from decimal import Decimal

from cds.advisory import Finding
from cds.logic.edges import comparisons_of
from cds.numbers import Interval
from cds.parameters import ADULT_PROFILES, CHILD_PROFILES, Parameter, ParameterSet
from cds.states.parts import guidelines_print

GUIDELINES = frozenset((*ADULT_PROFILES, *CHILD_PROFILES))


def disagreements(finding: Finding, p: ParameterSet) -> list[str]:
    """One line for each figure behind a finding on which guidelines differ and between whose printed values the patient's number lies, unless the
    advisory's own words say it."""
    found: dict[str, str] = {}
    told = " ".join(finding.branch.words.differs)
    for leaf in finding.why.leaves:
        for comparison in comparisons_of(leaf):
            limit = comparison.limit
            if not isinstance(limit, Parameter) or limit.key in found or limit.key not in p:
                continue
            band = printed_between(p, limit.key)
            if band is not None and any(seen.unit == limit.unit and seen.value is not None and _meets(seen.value, band) for seen in leaf.seen):
                printed = guidelines_print(p, limit.key)
                found[limit.key] = "" if printed in told else f"Guidelines differ on the {limit.means}: {printed}."
    return [line for line in found.values() if line]


def printed_between(p: ParameterSet, key: str) -> tuple[Decimal, Decimal] | None:
    """The lowest and the highest number that guidelines for this population print for a figure; None where they agree."""
    printed = [row.value for row in p.rows(key) if row.population in (p.population, "any") and row.profile in GUIDELINES and isinstance(row.value, Decimal)]
    return (min(printed), max(printed)) if len(set(printed)) > 1 else None


def _meets(value: Interval, band: tuple[Decimal, Decimal]) -> bool:
    return (value.low is None or value.low <= band[1]) and (value.high is None or value.high >= band[0])
