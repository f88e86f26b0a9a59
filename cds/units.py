"""Units of measure: one closed table, exact factors, and kinds that keep unlike things apart.

A dimension checker is not safe for drug work: it turns 6 [iU]/h into 100 000 mg/kg/min, a heart rate into a dose rate, and
phenytoin equivalents into phenytoin salt, because all of these cancel out. Here a unit has one **kind** of our own, and only
units of one kind convert. An unknown code or spelling is None, never a guess (HZ-02).

`U` in an order means international units, [iU]: no drug is ordered in enzyme units. U/L alone keeps UCUM's meaning, the
enzyme unit of a laboratory result.

The table is `_unit_table.py`, written and proven by deploy/generate/units.py; nothing is parsed or looked up elsewhere here.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from cds._unit_table import BY_CODE, KEPT, PAIRS, SPELLINGS, UNITS, WHOLE

_LONGEST_TEXT = 40


class UnitError(ValueError):
    """A unit that is not known, or two units between which nothing converts. The message names both."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One UCUM code. A value in the kind's base unit is (value + offset) x factor; offset is zero save for temperatures."""

    code: str
    kind: str
    factor: Decimal
    offset: Decimal


_UNITS = {code: Unit(code, *row) for code, row in UNITS.items()}

KINDS: frozenset[str] = frozenset(row[0] for row in UNITS.values())


def canonical_unit(text: str) -> str | None:
    """The UCUM code that `text` stands for, or None if we do not know it.

    Known codes stand for themselves; other spellings (mEq/L, mcg, units/hr, degC, SNOMED CT codes of time units) come from a
    closed list, part by part between the slashes, and the result must itself be a known code. None is never read as "no unit".
    """
    if text in _UNITS:
        return text
    if len(text) > _LONGEST_TEXT:
        return None
    text = " ".join(text.split())
    if text in WHOLE:
        return WHOLE[text]
    text = text.replace(" per ", "/")
    if "/(kg." in text and text.endswith(")"):  # mg/(kg.min) is mg/kg/min
        text = text[:-1].replace("/(kg.", "/kg/")
    parts = [SPELLINGS.get(part.strip(), part.strip()) for part in text.split("/")]
    if len(parts) == 3 and parts[2] == "kg":  # mL/h/kg is mL/kg/h
        parts[1:] = parts[2], parts[1]
    code = "/".join(parts)
    return code if code in _UNITS else None


def coded_unit(code: str | None, text: str | None) -> str | None:
    """The unit of a quantity that carries a coded unit, a unit text, or both; None when unknown **or when the two differ**.

    The code decides and the text confirms. A text that is not known to us is a label and does not disturb a known code. SNOMED
    CT 258702006 is the hour, but published examples label it "minutes": it is read only beside a text that says hours.
    """
    if code == "258702006":
        return "h" if text is not None and canonical_unit(text) == "h" else None
    by_text = canonical_unit(text) if text else None
    if not code:
        return by_text
    by_code = canonical_unit(code)
    if by_code is None or by_text is None or by_text == by_code:
        return by_code
    mine, other = _UNITS[by_code], _UNITS[by_text]
    return by_code if (mine.kind, mine.factor, mine.offset) == (other.kind, other.factor, other.offset) else None


def unit(code: str) -> Unit | None:
    """Kind, factor and offset of a UCUM code; None if it is not in the table."""
    return _UNITS.get(code)


def kind_of(code: str) -> str | None:
    """The kind of a UCUM code ("mass rate per weight", "activity rate" ...); None if it is not in the table."""
    known = _UNITS.get(code)
    return None if known is None else known.kind


def convert(value: Decimal, from_code: str, to_code: str) -> Decimal:
    """`value` in another unit of the same kind. UnitError when a code is unknown or the kinds differ.

    Never crosses: body weight and drug mass, an amount and its rate, anything and its per-weight form, phenytoin equivalents
    and salt, international units and mass, counts of events and dose rates, equivalents and moles (that needs the ion).
    """
    source, target = _UNITS.get(from_code), _UNITS.get(to_code)
    if source is None or target is None:
        raise UnitError(f"unit {from_code if source is None else to_code!r} is not in the table")
    if source.kind != target.kind:
        raise UnitError(f"{from_code!r} is a {source.kind}, {to_code!r} a {target.kind}: nothing converts between them")
    if source is target:
        return value
    return (value + source.offset) * source.factor / target.factor - target.offset


def kept_unit(analyte: str) -> str | None:
    """The unit in which results of an analyte are kept; None for a name that is not an analyte."""
    return KEPT.get(analyte)


def analyte_factor(analyte: str, unit_code: str, code: str | None = None) -> Decimal | None:
    """What a value of `analyte` in `unit_code` is multiplied by to be in its kept unit; None if the pair is not in the table.

    The pair decides, whatever the property of the LOINC code (F-4). `code` is that LOINC code: potassium in mg/dL counts under
    75940-7 only, and mg/dL of urea is nitrogen or urea by its code, so without one both are None. A pair that needs more than
    a factor (temperature in [degF]) is also None here: use `to_canonical`, or `reads` to ask whether the pair is known.
    """
    factor = PAIRS.get((analyte, unit_code))
    return factor if factor is not None or code is None else BY_CODE.get((analyte, unit_code, code))


def reads(analyte: str, unit_code: str, code: str | None = None) -> bool:
    """Whether `to_canonical` can read this analyte in this unit (under this LOINC code)."""
    return (analyte, unit_code) in PAIRS or (code is not None and (analyte, unit_code, code) in BY_CODE)


def to_canonical(analyte: str, value: Decimal, unit_code: str, code: str | None = None) -> Decimal:
    """`value` of an analyte in its kept unit. UnitError when the pair (analyte, unit) is not in the table; see `analyte_factor`."""
    factor = analyte_factor(analyte, unit_code, code)
    if factor is not None:
        return value * factor
    if (analyte, unit_code) in PAIRS:
        return convert(value, unit_code, KEPT[analyte])
    raise UnitError(f"{unit_code!r} is not a unit in which {analyte} is read")
