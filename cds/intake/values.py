"""What a result says: a number with a unit, a bound, a word of a closed list, or a named reason why it cannot be used.

Nothing is guessed. "3.2" in quotes, a number without a unit, a unit that does not fit the analyte, and a value that no living
patient can have are refused, with the question that a person should ask (HZ-02, HZ-03).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

import msgspec
from msgspec import Raw

from cds.chart import Trouble
from cds.intake.limits import Limits
from cds.intake.shapes import Component, Concept, Observation, Quantity
from cds.intake.words import AVPU_WORDS, KETONE_WORDS, MEANT, NONE_WORDS, POSITIVE_WORDS, PREGNANCY_ANSWERS, PREGNANCY_WORDS
from cds.numbers import ZERO, Interval, point
from cds.units import UnitError, analyte_factor, canonical_unit, coded_unit, reads, to_canonical
from cds.vocabulary import ANALYTES, LOINC, SNOMED_CT, UCUM

_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]{0,17})(?:\.[0-9]{1,18})?(?:[eE][+-]?[0-9]{1,2})?", re.ASCII)
_BOUND = re.compile(r"\s*(<=|>=|<|>|≤|≥)\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(\S.{0,30}?)?\s*")
_HAEMOLYSED = re.compile(r"\bha?emoly[sz](?:ed|is|ing)\b", re.IGNORECASE)
_DENIED = re.compile(r"\b(?:not|no|non|without|nil|negative|absent|free)\b", re.IGNORECASE)
ONE = Decimal(1)
_NEGATIVE_VALUES = frozenset(("base_excess",))
_BARE = frozenset(("", "1", "[pH]", "{score}", "{INR}", "{ratio}", "{grade}"))
_METER_WORDS = re.compile(r"\b(?:gluco(?:se )?meter|meter|point[ -]of[ -]care|poct|bedside)\b", re.IGNORECASE)
_COMPARATORS = {"<": "<", "<=": "<=", ">": ">", ">=": ">=", "≤": "<=", "≥": ">="}
_VALUES = (
    "valueQuantity",
    "valueString",
    "valueCodeableConcept",
    "valueBoolean",
    "valueRange",
    "valueRatio",
    "valueSampledData",
    "valueTime",
    "valueDateTime",
    "valuePeriod",
)
_OTHER_VALUES = _VALUES[3:]

class Read(msgspec.Struct, frozen=True, gc=False):
    """A value that can be used: canonical, as reported, the reported UCUM unit, and the text for a person."""

    value: Interval
    reported: Interval
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class Refused:
    """A value that cannot be used. `question` is for a person, never a correction."""

    trouble: Trouble
    message: str
    as_sent: str = ""
    question: str = ""


def number_of(raw: Raw) -> Decimal | None:
    """The JSON number that was sent, digit for digit; None for text, null, nothing, or a number beyond any use."""
    text = bytes(raw)
    if len(text) > 40:
        return None
    form = _NUMBER.fullmatch(text.decode("ascii", "replace"))
    if form is None:
        return None
    value = Decimal(form[0])
    return value if -25 < value.adjusted() < 25 else None


def sent(raw: Raw) -> str:
    """What stood where a number should, for a person: cut short, on one line."""
    return _short(bytes(raw)[:80].decode("utf-8", "replace"))


def quantity_unit(quantity: Quantity) -> str | None:
    """The UCUM unit of a quantity, None when it has none that we know or when its code and its text differ."""
    if quantity.code and quantity.system in ("", UCUM, SNOMED_CT):
        return coded_unit(quantity.code, quantity.unit or None)
    return canonical_unit(quantity.unit) if quantity.unit else None


def haemolysed(observation: Observation, part: Component | None) -> bool:
    """Whether the record says that the sample was haemolysed: interpretation, note or specimen, by a closed pattern (HZ-09)."""
    concepts = observation.interpretation if part is None else (*observation.interpretation, *part.interpretation)
    texts = [concept.text for concept in concepts]
    texts += [coding.display for concept in concepts for coding in concept.coding]
    texts += [note.text for note in observation.note]
    if observation.specimen is not None:
        texts.append(observation.specimen.display)
    return any(_says_haemolysed(text) for text in texts if text)


def _says_haemolysed(text: str) -> bool:
    for found in _HAEMOLYSED.finditer(text):
        if _DENIED.search(text[max(0, found.start() - 20) : found.start()]) is None:
            return True
    return False


def value_count(source: Observation | Component) -> int:
    """How many value[x] members are present; FHIR allows one."""
    return sum(getattr(source, name) is not None for name in _VALUES) + bool(bytes(source.valueInteger))


def _only_quantity(source: Observation | Component) -> bool:
    """What nearly every result is: a Quantity, and nothing beside it. The same as `value_count` at a tenth of the cost."""
    return (
        source.valueQuantity is not None
        and source.dataAbsentReason is None
        and source.valueString is None
        and source.valueCodeableConcept is None
        and source.valueBoolean is None
        and source.valueRange is None
        and source.valueRatio is None
        and source.valueSampledData is None
        and source.valueTime is None
        and source.valueDateTime is None
        and source.valuePeriod is None
        and not source.valueInteger
    )


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit that an analyte may be read in: the UCUM code, how it is shown, and the LOINC code under which it counts."""

    unit: str
    label: str
    code: str
    factor: Decimal | None


class Values:
    """Reads values. Pairs of analyte and unit are looked up once a request."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._units: dict[tuple[object, ...], _Unit | Refused] = {}
        # What is read as it is: the unit, its factor, what is possible, and the numbers that were read already.
        self._plain: dict[tuple[object, ...], tuple[_Unit, Decimal, Decimal, Decimal, dict[bytes, Read]]] = {}

    def read(
        self, analyte: str, method: str, codes: tuple[str, ...], observation: Observation, part: Component | None = None
    ) -> Read | Refused:
        """The value of one Observation, or of one component of it, for an analyte.

        `codes` are the LOINC codes of the concept in the order sent; some units count only under one of them (F-4).
        """
        source = observation if part is None else part
        if _only_quantity(source):
            assert source.valueQuantity is not None  # noqa: S101 - told to the type checker
            return self._quantity(analyte, codes, source.valueQuantity)
        if value_count(source) > 1:
            return Refused(Trouble.STRUCTURE, "two values where FHIR allows one")
        if source.dataAbsentReason is not None:
            reason = _words(source.dataAbsentReason)
            if value_count(source):
                return Refused(Trouble.STRUCTURE, "a value beside the statement that there is none")
            return Refused(Trouble.NO_VALUE, f"no value: {reason}" if reason else "no value, for a reason that was not readable")
        if bytes(source.valueInteger):
            return self._quantity(analyte, codes, Quantity(value=source.valueInteger))
        if source.valueString is not None:
            return self._word(analyte, method, codes, Concept(text=source.valueString), observation)
        if source.valueCodeableConcept is not None:
            return self._word(analyte, method, codes, source.valueCodeableConcept, observation)
        if any(getattr(source, name) is not None for name in _OTHER_VALUES):
            return Refused(Trouble.NOT_A_NUMBER, "a value of a type that is not read here")
        return Refused(Trouble.NO_VALUE, "no value")

    def plain(self, analyte: str, codes: tuple[str, ...], source: Observation | Component) -> Read | None:
        """One exact, possible number with a unit that is read as it is; None for everything else (see `read`)."""
        quantity = source.valueQuantity
        if quantity is None or quantity.comparator or not _only_quantity(source):
            return None
        key = (analyte, codes, quantity.system, quantity.code, quantity.unit)
        known = self._plain.get(key)
        if known is None:
            unit = self._units.get(key)
            if not isinstance(unit, _Unit) or unit.factor is None:
                return None
            about = ANALYTES[analyte]
            known = self._plain[key] = (unit, unit.factor, about.plausible_low, about.plausible_high, {})
        kept, factor, low, high, seen = known
        raw = bytes(quantity.value)
        found = seen.get(raw)
        if found is not None:
            return found
        number = number_of(quantity.value)
        if number is None:
            return None
        canonical = number if factor is ONE else number * factor
        if not low <= canonical <= high:
            return None
        reported = point(number)
        value = reported if canonical is number else point(canonical)
        found = seen[raw] = Read(value, reported, kept.unit, f"{number:f}{kept.label}")
        return found

    def _quantity(self, analyte: str, codes: tuple[str, ...], quantity: Quantity) -> Read | Refused:
        number = number_of(quantity.value)
        if number is None or (quantity.comparator and quantity.comparator not in _COMPARATORS):
            if not bytes(quantity.value):
                return Refused(Trouble.NO_VALUE, "a unit without a value", _short(quantity.unit or quantity.code))
            if number is None:
                return Refused(Trouble.NOT_A_NUMBER, "text instead of a number", _shown(quantity))
            return Refused(Trouble.NOT_UNDERSTOOD, "a comparator that is not known", _shown(quantity))
        key = (analyte, codes, quantity.system, quantity.code, quantity.unit)
        unit = self._units.get(key)
        if unit is None:
            unit = self._units[key] = _unit_for(analyte, codes, quantity)
        if isinstance(unit, Refused):
            return Refused(unit.trouble, unit.message, _shown(quantity), unit.question)
        return self._bounded(analyte, codes, number, quantity.comparator, unit)

    def _bounded(
        self, analyte: str, codes: tuple[str, ...], number: Decimal, comparator: str, unit: _Unit
    ) -> Read | Refused:
        """A number with its comparator, in the reported and the canonical unit, checked against what is possible."""
        about = ANALYTES[analyte]
        text = f"{comparator}{number:f}{unit.label}"
        if unit.unit in ("mg/dL", "mmol/L") and analyte == "urine_ketones":
            return self._graded(number, comparator, unit.unit, text)
        if unit.factor is None:
            canonical = to_canonical(analyte, number, unit.unit, unit.code)
        else:
            canonical = number if unit.factor is ONE else number * unit.factor
        if comparator:
            floor = None if analyte in _NEGATIVE_VALUES else ZERO
            value, reported = _interval(canonical, comparator, floor), _interval(number, comparator, floor)
            outside = value.below(about.plausible_low) is True or value.above(about.plausible_high) is True
        else:
            reported = point(number)
            value = reported if canonical is number else point(canonical)
            outside = not about.plausible_low <= canonical <= about.plausible_high
        if outside:
            low, high = about.plausible_low.normalize(), about.plausible_high.normalize()
            shown = "" if about.unit == "1" else f" {about.unit}"
            message = f"{about.label} of {text} is outside {low:f} to {high:f}{shown}, what a living patient can have"
            return Refused(Trouble.IMPLAUSIBLE, message, text, _question(analyte, codes, number, unit.unit))
        return Read(value, reported, unit.unit, text)

    def _graded(self, number: Decimal, comparator: str, unit: str, text: str) -> Read:
        """A strip's concentration as its plus grade (0, 0.5 for trace, 1 to 4)."""
        grades = self._limits.ketone_grades
        grade = max((row[0] for row in grades if number >= (row[1] if unit == "mg/dL" else row[2])), default=ZERO)
        if comparator in ("<", "<="):
            value = Interval(ZERO, grade)
        elif comparator in (">", ">="):
            value = Interval(grade, grades[-1][0])
        else:
            value = point(grade)
        return Read(value, value, "1", text)

    def _word(
        self, analyte: str, method: str, codes: tuple[str, ...], concept: Concept, observation: Observation
    ) -> Read | Refused:
        """A value given in words or as a code, by closed lists only."""
        words = [each for each in (concept.text, *(c.display for c in concept.coding)) if each]
        plain = [" ".join(each[:100].casefold().split()) for each in words]
        shown = _short(words[0]) if words else ""
        answers = {c.code for c in concept.coding if c.system in (LOINC, SNOMED_CT)}
        found = self._known_word(analyte, method, plain, answers, shown, observation)
        if found is not None:
            return found
        bound = _BOUND.fullmatch(concept.text[:80]) if concept.text else None
        if bound is not None:
            unit = _unit_for(analyte, codes, Quantity(unit=bound[3] or ""))
            if isinstance(unit, Refused):
                return Refused(unit.trouble, unit.message, shown, unit.question)
            return self._bounded(analyte, codes, Decimal(bound[2]), _COMPARATORS[bound[1]], unit)
        if any(_says_haemolysed(each) for each in words):
            return Refused(Trouble.NOT_A_NUMBER, "no number: the sample was haemolysed", shown)
        return Refused(Trouble.NOT_A_NUMBER, "text instead of a number", shown)

    def _known_word(
        self, analyte: str, method: str, plain: list[str], answers: set[str], shown: str, observation: Observation
    ) -> Read | None:
        """A value in the words or answer codes that belong to the analyte; None when it is not one of them."""
        if analyte == "urine_ketones":
            grades = {grade for each in plain if (grade := _ketone_grade(each)) is not None}
            if len(grades) == 1:
                grade = grades.pop()
                return Read(grade, grade, "1", shown)
        elif analyte == "avpu":
            scores = {(name, score) for name, score, answer in self._limits.avpu if answer in answers}
            if not scores:
                named = {AVPU_WORDS.get(each) for each in plain}
                scores = {(name, score) for name, score, _ in self._limits.avpu if name in named}
            if len(scores) == 1:
                name, score = scores.pop()
                return Read(point(score), point(score), "1", name)
        elif analyte == "pregnancy_status":
            states = {PREGNANCY_ANSWERS[a] for a in answers if a in PREGNANCY_ANSWERS}
            states = states or {PREGNANCY_WORDS[each] for each in plain if each in PREGNANCY_WORDS}
            if len(states) == 1:
                value = point(Decimal(states.pop()))
                return Read(value, value, "1", "pregnant" if value.exact else "not pregnant")
        elif analyte == "glucose" and plain and plain[0] in ("hi", "high", "lo", "low"):
            if method in ("meter", "strip") or _by_meter(observation):
                return _meter(plain[0], self._limits)
        return None


def _unit_for(analyte: str, codes: tuple[str, ...], quantity: Quantity) -> _Unit | Refused:
    """The unit of a quantity as one in which the analyte is read, or why it is none."""
    about = ANALYTES[analyte]
    stated = quantity.unit or quantity.code
    if not stated:
        if about.unit != "1":
            return Refused(Trouble.UNIT_MISSING, "a number without a unit")
        unit: str | None = "1"
    else:
        unit = quantity_unit(quantity)
    if unit is None:
        by_code, by_text = canonical_unit(quantity.code), canonical_unit(quantity.unit)
        if by_code is not None and by_text is not None:
            message = f"its unit is written {by_text} and coded {by_code}"
            return Refused(Trouble.UNIT_UNKNOWN, message, "", "which of the two units is right?")
        return Refused(Trouble.UNIT_UNKNOWN, f"unit '{_short(stated)}' is not recognised")
    code = next((each for each in codes if reads(analyte, unit, each)), "")
    strip = analyte == "urine_ketones" and unit in ("mg/dL", "mmol/L")
    if not (code or strip):
        return Refused(Trouble.UNIT_WRONG_KIND, f"unit {unit} does not fit {about.label}", "", f"is this really {about.label}?")
    shown = quantity.unit if quantity.unit and canonical_unit(quantity.unit) == unit else unit
    label = "" if shown in _BARE or unit in _BARE else f" {shown}"
    factor = analyte_factor(analyte, unit, code) if code else None
    return _Unit(unit, label, code, ONE if factor == ONE else factor)


def _shown(quantity: Quantity) -> str:
    return f"{_short(quantity.comparator)}{sent(quantity.value)} {_short(quantity.unit or quantity.code)}".strip()


def _interval(number: Decimal, comparator: str, floor: Decimal | None) -> Interval:
    if comparator in ("<", "<="):
        return Interval(floor, number, high_open=comparator == "<")
    return Interval(number, None, low_open=comparator == ">")


def _question(analyte: str, codes: tuple[str, ...], number: Decimal, unit: str) -> str:
    about = ANALYTES[analyte]
    for other in MEANT.get(analyte, ()):
        if other == unit:
            continue
        try:
            meant = to_canonical(analyte, number, other, codes[0] if codes else "")
        except UnitError:
            continue
        if about.plausible_low <= meant <= about.plausible_high:
            shown = "µmol/L" if other == "umol/L" else other
            return f"is this {shown}?"
    return ""


def _ketone_grade(word: str) -> Interval | None:
    if word in NONE_WORDS:
        return point(ZERO)
    if word in POSITIVE_WORDS:
        return Interval(ZERO, Decimal(4), low_open=True)
    grade = KETONE_WORDS.get(word)
    return None if grade is None else point(Decimal(grade))


def _by_meter(observation: Observation) -> bool:
    texts = [_words(observation.method)] if observation.method is not None else []
    if observation.device is not None:
        texts.append(observation.device.display)
    return any(_METER_WORDS.search(text) for text in texts)


def _meter(word: str, limits: Limits) -> Read:
    if word in ("hi", "high"):
        value, text = Interval(limits.meter_high, None, low_open=True), f"HI (more than {limits.meter_high} mmol/L)"
    else:
        value, text = Interval(ZERO, limits.meter_low, high_open=True), f"LO (less than {limits.meter_low} mmol/L)"
    return Read(value, value, "mmol/L", text)


def _words(concept: Concept) -> str:
    for each in (concept.text, *(c.display or c.code for c in concept.coding)):
        if each:
            return _short(each)
    return ""


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 60 else text[:59] + "…"
