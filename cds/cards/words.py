"""Filling the templates of a card, and making text that came from outside harmless (HZ-40)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from cds.advisory import Fact
from cds.numbers import shown
from cds.parameters import Absent, ParameterSet

_UNITS = {
    "[iU]": "unit", "[iU]/h": "unit/h", "[iU]/kg/h": "unit/kg/h", "[iU]/kg": "unit/kg", "mm[Hg]": "mmHg", "Cel": "degrees C", "1": "", "umol/L": "micromol/L",
    "a": "years", "d": "days", "meq/L": "mEq/L", "mosm/kg": "mOsm/kg", "10*9/L": "x 10^9/L", "{score}": "", "ug": "microgram",
}  # fmt: skip
_MARKUP = re.compile(r"([\\`*_\[\]<>#|~!])")
_SPACE = re.compile(r"[\s\x00-\x1f\x7f\u2028\u2029]+")


def unit_in_words(code: str) -> str:
    """A UCUM code as a prescriber reads it: units spelled out, no "U" (AU-40)."""
    return _UNITS.get(code, code)


def plain(text: str, most: int = 80) -> str:
    """Text from outside on one line, shortened, for a summary or a FHIR string."""
    line = _SPACE.sub(" ", text).strip()
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def literal(text: str, most: int = 160) -> str:
    """Text from outside that Markdown shows as it is, whatever it holds."""
    return _MARKUP.sub(r"\\\1", plain(text, most))


class _Value:
    """What `{name}` and `{name.age}` show in a template."""

    __slots__ = ("age", "text", "when")

    def __init__(self, fact: Fact) -> None:
        self.text = _readable(fact.text)
        self.age = fact.age
        self.when = fact.age

    def __str__(self) -> str:
        return self.text

    def __format__(self, spec: str) -> str:
        return self.text


class _Figures:
    """What `{p.key}` shows: a figure of the knowledge with its unit."""

    __slots__ = ("_p",)

    def __init__(self, p: ParameterSet) -> None:
        self._p = p

    def __getattr__(self, key: str) -> str:
        return figure(self._p, key)


def figure(p: ParameterSet, key: str) -> str:
    """A parameter as text with its unit, and its second printed figure in brackets. "no figure for this age" when there is none."""
    found = p[key]
    if isinstance(found, Absent):
        return "no figure for this age"
    if not isinstance(found.value, Decimal):
        return str(found.value)
    text = f"{shown(found.value)} {unit_in_words(found.unit)}".strip()
    also = [f"{shown(a.value)} {unit_in_words(a.unit)}" for a in found.also]
    return f"{text} ({', '.join(also)})" if also else text


def _readable(text: str) -> str:
    for code, words in (("[iU]", "unit"), ("mm[Hg]", "mmHg"), ("umol/L", "micromol/L"), ("meq/L", "mEq/L"), ("Cel", "degrees C")):
        text = text.replace(code, words)
    return plain(text, 200)


def fill(template: str, facts: Mapping[str, Fact], p: ParameterSet, order: str = "", *, markdown: bool = True) -> str:
    """A template with its facts. `order` is the label of the order in hand, made harmless here."""
    values: dict[str, Any] = {name: _Value(fact) for name, fact in facts.items()}
    if "{p." in template:
        values["p"] = _Figures(p)
    values["order"] = literal(order, 60) if markdown else plain(order, 40)
    return template.format_map(values)


def summary(template: str, facts: Mapping[str, Fact], p: ParameterSet, order: str = "") -> str:
    """One sentence of at most 139 characters (CH-62)."""
    return plain(fill(template, facts, p, order, markdown=False), 139)
