"""Filling the templates of a card, and making text that came from outside harmless (HZ-40)."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from cds.advisory import Fact
from cds.chart import MINUTE
from cds.logic.reason import Seen
from cds.numbers import shown
from cds.parameters import Absent, ParameterSet

_UNITS = {
    "[iU]": "unit", "[iU]/h": "unit/h", "[iU]/kg/h": "unit/kg/h", "[iU]/kg": "unit/kg", "[iU]/mL": "unit/mL", "mm[Hg]": "mmHg", "Cel": "degrees C", "1": "", "umol/L": "micromol/L",
    "a": "years", "d": "days", "meq/L": "mEq/L", "mosm/kg": "mOsm/kg", "mosm/kg/h": "mOsm/kg/h", "10*9/L": "x 10^9/L", "{score}": "", "ug": "microgram",
}  # fmt: skip
_INSIDE = {"[iU]": "unit", "mm[Hg]": "mmHg", "umol": "micromol", "meq": "mEq", "mosm": "mOsm", "ug": "microgram", "Cel": "degrees C", "mg{PE}": "mg PE"}
_WITHIN = re.compile(r"\[iU\]|mm\[Hg\]|mg\{PE\}|\b(?:umol|meq|mosm|ug|Cel)\b")
_MARKUP = re.compile(r"([\\`*_\[\]<>#|~!&])")
_LINK = re.compile(r"(?i)\b(https?|ftp|xmpp|mailto)(:)|\b(www)(\.)|(?<=\S)(@)")
_BLOCK = re.compile(r"^(?:([-+=])|(\d{1,9})([.)])(?=\s|$))")
_SPACE = re.compile(r"[\s\x00-\x1f\x7f\u2028\u2029]+")


def unit_in_words(code: str) -> str:
    """A UCUM code as a prescriber reads it: units spelled out, no "U" (AU-40)."""
    return _UNITS.get(code, code)


def readable(text: str) -> str:
    """A text in which UCUM codes stand, with the codes as a prescriber reads them."""
    return _WITHIN.sub(lambda found: _INSIDE[found[0]], text)


def plain(text: str, most: int = 80) -> str:
    """Text from outside on one line, shortened, for a summary or a FHIR string. Invisible characters and those that turn the writing round are left out."""
    line = text if text.isprintable() and "  " not in text else _SPACE.sub(" ", text)
    if not line.isascii():
        line = "".join(c for c in line if unicodedata.category(c) not in ("Cf", "Cc", "Cs", "Co", "Cn"))
    line = line.strip()
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def literal(text: str, most: int = 160) -> str:
    """Text from outside that Markdown shows as it is, whatever it holds; numbers stay readable where Markdown is not rendered (HZ-30)."""
    line = _MARKUP.sub(r"\\\1", plain(text, most))
    if ":" in line or "." in line or "@" in line:
        line = _LINK.sub(lambda m: f"{m[1]}\\:" if m[1] else f"{m[3]}\\." if m[3] else "\\@", line)
    return _BLOCK.sub(lambda m: f"\\{m[1]}" if m[1] else f"{m[2]}\\{m[3]}", line)


def ago(now: int, seen: Seen) -> str:
    """ "40 min ago", with how far the time can be trusted."""
    if seen.at is None:
        return ""
    minutes = max(0, (now - seen.at.latest) // MINUTE)
    text = f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago"
    return f"{text}, {seen.at.mark}" if seen.at.mark else text


class _Value:
    """What `{name}` and `{name.age}` show in a template."""

    __slots__ = ("age", "text")

    def __init__(self, fact: Fact, *, markdown: bool) -> None:
        self.text = literal(readable(fact.text)) if markdown else plain(readable(fact.text))
        self.age = literal(fact.age) if markdown else plain(fact.age)

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
    text = _minutes(found.value) if found.unit == "min" else f"{shown(found.value)} {unit_in_words(found.unit)}".strip()
    also = [f"{shown(a.value)} {unit_in_words(a.unit)}" for a in found.also]
    return f"{text} ({', '.join(also)})" if also else text


def _minutes(value: Decimal) -> str:
    """Minutes as a clinician says them: whole days from two on, whole hours from two on."""
    for unit, size in (("days", Decimal(1440)), ("h", Decimal(60))):
        if value % size == 0 and value >= 2 * size:
            return f"{shown(value / size)} {unit}"
    return f"{shown(value)} min"


def fill(template: str, facts: Mapping[str, Fact], p: ParameterSet, order: str = "", *, markdown: bool = True) -> str:
    """A template with its facts. `order` is the label of the order in hand, made harmless here."""
    if "{" not in template:
        return template
    values: dict[str, Any] = {name: _Value(fact, markdown=markdown) for name, fact in facts.items() if f"{{{name}" in template}
    if "{p." in template:
        values["p"] = _Figures(p)
    values["order"] = literal(order, 60) if markdown else plain(order, 40)
    return template.format_map(values)


def summary(template: str, facts: Mapping[str, Fact], p: ParameterSet, order: str = "") -> str:
    """One sentence of at most 139 characters (CH-62)."""
    return sentence(fill(template, facts, p, order, markdown=False))


def sentence(text: str, tail: str = "") -> str:
    """A summary that begins with a capital letter and, with its tail, has at most 139 characters."""
    line = plain(text, 139 - len(tail))
    return (line if line[1:2].isupper() else line[:1].upper() + line[1:]) + tail
