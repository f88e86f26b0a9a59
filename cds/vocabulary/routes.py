"""Routes of administration and the lines they name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cds.vocabulary import _tables
from cds.vocabulary.systems import SNOMED_CT
from cds.vocabulary.text import mentions, negated

Line = Literal["central", "peripheral"]


@dataclass(frozen=True, slots=True)
class Route:
    """`kind`: intravenous, oral, enteral, subcutaneous, intramuscular, rectal, buccal, nasal, sublingual, intraosseous, inhaled,
    topical, infiltration or neuraxial. `line`: central, peripheral, or None when the route does not name one."""

    kind: str
    line: str | None


_CODES = {key: Route(*row) for key, row in _tables.ROUTE_CODES.items()}
_TEXTS = {text: Route(*row) for text, row in _tables.ROUTE_TEXTS.items()}

KINDS: frozenset[str] = frozenset(route.kind for route in (*_CODES.values(), *_TEXTS.values()))


def route_of(system: str, code: str) -> Route | None:
    """The route a code names; None when it is not recognised. Intraosseous access counts as a peripheral line."""
    return _CODES.get((system, code))


ROUTE_CODES: dict[str, str] = {
    route.kind: code for (system, code), route in reversed(_CODES.items()) if route.line is None and system == SNOMED_CT
}
"""The SNOMED CT code that Trivet writes for each kind of route in its suggestions."""


def route_from_text(text: str) -> Route | None:
    """The route that a whole text names ("IV", "by mouth"); None when the text is not in the closed list."""
    return _TEXTS.get(" ".join(text.lower().split()))


def line_from_text(text: str) -> Line | None:
    """The line that the text of a site or a dosage names; None when it names none, both, or holds a negation.

    A closed list of phrases, whole words only. Such a reading may raise an advisory; "central" from text never lifts a
    peripheral limit (F-16).
    """
    if negated(text):
        return None
    named = mentions(text, _tables.LINE_WORDS)
    if named == ("central",):
        return "central"
    return "peripheral" if named == ("peripheral",) else None
