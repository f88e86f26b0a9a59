"""Closed word lists read from free text: whole words, longest phrase first, negations honoured (F-16)."""

from __future__ import annotations

import re
from collections.abc import Mapping

_CLAUSES = re.compile(r"[;,:()\n]|\.(?!\d)")
_NEGATION = re.compile(r"\b(?:no|not|never|nor|non|without|avoid|avoids|except|unless|don't|cannot|incompatible|instead of|free of)\b|n't\b")
_PERCENT = re.compile(r"\s*%")
_LONGEST_TEXT = 4000
_patterns: dict[int, tuple[Mapping[str, str], re.Pattern[str]]] = {}


def _pattern(phrases: Mapping[str, str]) -> re.Pattern[str]:
    """The pattern of one of the generated tables, compiled once; the table is held with it, so that its identity stays its own."""
    known = _patterns.get(id(phrases))
    if known is None:
        known = _patterns[id(phrases)] = (phrases, _compiled(phrases))
    return known[1]


def _compiled(phrases: Mapping[str, str]) -> re.Pattern[str]:
    longest_first = sorted(phrases, key=lambda phrase: (-len(phrase), phrase))
    return re.compile(r"(?<![\w])(?:" + "|".join(re.escape(phrase) for phrase in longest_first) + r")(?!\w)(?!-free\b)")


def mentions(text: str, phrases: Mapping[str, str], capitals: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """What the text names, each once, in its order; a phrase after a negation in its clause does not count.

    `phrases` are compared in lower case, `capitals` as they stand. A phrase that means "" hides the words inside it.
    """
    found: list[str] = []
    for clause in _CLAUSES.split(text[:_LONGEST_TEXT].replace("\u2019", "'")):
        clause = _PERCENT.sub("%", " ".join(clause.split()))
        negation = _NEGATION.search(clause.lower())
        end = len(clause) if negation is None else negation.start()
        hits = [(match.start(), phrases[match.group()]) for match in _pattern(phrases).finditer(clause.lower())]
        if capitals:
            hits += [(match.start(), capitals[match.group()]) for match in _pattern(capitals).finditer(clause)]
        found += [meaning for start, meaning in sorted(hits) if start < end]
    return tuple(dict.fromkeys(meaning for meaning in found if meaning))


def negated(text: str) -> bool:
    """Whether the text holds a negation anywhere."""
    return _NEGATION.search(text[:_LONGEST_TEXT].replace("\u2019", "'").lower()) is not None
