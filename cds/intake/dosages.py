"""One dosageInstruction: route, line, dose, rate, duration, frequency and bounds, each read, not stated, or not understood.

Numbers and identities come from coded members only. A closed word list may read the line, the diluent and "push" from text;
such a reading is marked and may raise a finding, never silence one (F-16).
"""

from __future__ import annotations

import re
from decimal import Decimal

from cds.chart import MINUTE, Dosage, Measure, Moment
from cds.intake import shapes
from cds.intake.coding import label_of
from cds.intake.measures import measure, measure_range, minutes, per_day
from cds.intake.times import Times
from cds.intake.values import number_of
from cds.numbers import Interval
from cds.units import UnitError, convert
from cds.vocabulary import diluent_from_text, line_from_text, route_from_text, route_of

_TIMES_A_DAY = {
    "QD": "1",
    "DAILY": "1",
    "BID": "2",
    "TID": "3",
    "QID": "4",
    "QOD": "0.5",
    "AM": "1",
    "PM": "1",
    "BED": "1",
    "Q1H": "24",
    "Q2H": "12",
    "Q3H": "8",
    "Q4H": "6",
    "Q6H": "4",
    "Q8H": "3",
}
"""Timing.code (v3-GTSAbbreviation) as occurrences a day."""

_PUSH = re.compile(r"\b(?:iv|intravenous|i\.v\.)\s+(?:push|bolus)\b|\bpush\b", re.IGNORECASE)
_DENIED = re.compile(r"\b(?:not|no|never|don'?t|avoid|without)\b", re.IGNORECASE)
_LONGEST_TEXT = 400
_INTO_A_VEIN = (None, "intravenous", "intraosseous")
"""Routes for which a line and a diluent matter; a route that is not known may be one of them."""


class Words:
    """What the texts of one request name, by closed lists. Each text is looked through once: renewed orders repeat theirs."""

    def __init__(self) -> None:
        self._fluids: dict[str, tuple[str, ...]] = {}
        self._lines: dict[str, str | None] = {}

    def fluids(self, text: str) -> tuple[str, ...]:
        """Diluents, in the order of the text."""
        found = self._fluids.get(text)
        if found is None:
            found = self._fluids[text] = diluent_from_text(text)
        return found

    def line(self, text: str) -> str | None:
        """The line, None when the text does not name one."""
        if text not in self._lines:
            self._lines[text] = line_from_text(text)
        return self._lines[text]


def read_dosage(dosage: shapes.Dosage, extra_texts: tuple[str, ...], times: Times, words: Words) -> Dosage:
    """One dosage instruction. `extra_texts` are other texts of the order in which a diluent may be named."""
    unclear: list[str] = []
    texts = [dosage.text]
    if dosage.additionalInstruction or dosage.patientInstruction:
        texts += [label_of(each) for each in dosage.additionalInstruction]
        texts.append(dosage.patientInstruction)
    route, line, from_text, route_stated = _route(dosage, texts, unclear, words)
    dose, rate, rate_per = _amounts(dosage.doseAndRate, unclear)
    timing = _timing(dosage.timing, times, unclear)
    wanted = dict.fromkeys((*texts, *extra_texts)) if route in _INTO_A_VEIN else {}
    diluents = dict.fromkeys([name for text in wanted if text for name in words.fluids(text)])
    return Dosage(
        text=" ".join(dosage.text.split())[:_LONGEST_TEXT],
        route=route,
        route_stated=route_stated,
        line=line,
        line_from_text=from_text,
        push=_push(dosage, texts),
        dose=dose,
        rate=rate,
        rate_per=rate_per,
        duration_minutes=timing.duration,
        per_day=timing.per_day,
        once=timing.once,
        as_needed=dosage.asNeededBoolean is True or dosage.asNeededCodeableConcept is not None,
        start=timing.start,
        end=timing.end,
        events=timing.events,
        not_understood=tuple(dict.fromkeys(unclear)) if unclear else (),
        diluents_in_text=tuple(diluents),
    )


def dosage_times(dosage: shapes.Dosage) -> tuple[str, ...]:
    """Every time that a dosage states, for finding the zone that a request agrees on."""
    timing = dosage.timing
    if timing is None:
        return ()
    period = None if timing.repeat is None else timing.repeat.boundsPeriod
    return (*timing.event, *(() if period is None else (period.start, period.end)))


def _route(
    dosage: shapes.Dosage, texts: list[str], unclear: list[str], words: Words
) -> tuple[str | None, str | None, bool, bool]:
    """Route kind, line, whether the line was read from text, and whether a route was stated at all."""
    kind = line = None
    stated = dosage.route is not None
    if dosage.route is not None:
        coding = dosage.route.coding
        only = route_of(coding[0].system, coding[0].code) if len(coding) == 1 else None
        if only is not None and (only.line or only.kind not in _INTO_A_VEIN):
            return only.kind, only.line or None, False, True
        routes = [found for c in dosage.route.coding if (found := route_of(c.system, c.code)) is not None]
        kinds = {each.kind for each in routes}
        if not routes:
            named = [dosage.route.text, *(c.display for c in dosage.route.coding)]
            routes = [found for word in named if word and (found := route_from_text(word)) is not None][:1]
            kinds = {each.kind for each in routes}
        if len(kinds) == 1:
            kind = kinds.pop()
            lines = {each.line for each in routes if each.line}
            line = lines.pop() if len(lines) == 1 else None
        else:
            unclear.append("route")
    if line is not None or kind not in _INTO_A_VEIN:
        return kind, line, False, stated
    site = dosage.site
    places = [] if site is None else [site.text, *(c.display for c in site.coding)]
    found_lines = {near for text in (*places, *texts) if text and (near := words.line(text)) is not None}
    if len(found_lines) > 1:
        unclear.append("line")
    elif found_lines:
        return kind, found_lines.pop(), True, stated
    return kind, None, False, stated


def _push(dosage: shapes.Dosage, texts: list[str]) -> bool:
    words = texts
    if dosage.method is not None:
        words = [*texts, dosage.method.text, *(c.display for c in dosage.method.coding)]
    return any(_PUSH.search(word) is not None and _DENIED.search(word) is None for word in words if word)


def _amounts(
    given: tuple[shapes.DoseAndRate, ...], unclear: list[str]
) -> tuple[Measure | None, Measure | None, Measure | None]:
    """Dose, rate and what the rate is per. "ordered" goes before "calculated"; entries that contradict each other are unclear."""
    if not given:
        return None, None, None
    ordered = [each for each in given if each.type is None or any(c.code == "ordered" for c in each.type.coding)]
    doses: list[Measure] = []
    rates: list[tuple[Measure, Measure | None]] = []
    for each in ordered or given:
        if each.doseQuantity is not None and each.doseRange is not None:
            unclear.append("dose")
        dose = measure(each.doseQuantity) or measure_range(each.doseRange)
        if dose is not None:
            doses.append(dose)
        forms = (each.rateQuantity is not None) + (each.rateRange is not None) + (each.rateRatio is not None)
        if forms > 1:
            unclear.append("rate")
        if each.rateRatio is not None:
            top, bottom = measure(each.rateRatio.numerator), measure(each.rateRatio.denominator, missing_is_one=True)
            if top is None or bottom is None:
                unclear.append("rate")
            else:
                rates.append((top, bottom))
        else:
            rate = measure(each.rateQuantity) or measure_range(each.rateRange)
            if rate is not None:
                rates.append((rate, None))
    if len(doses) > 1 and len({(each.value, each.unit) for each in doses}) > 1:
        unclear.append("dose")
        doses = []
    if len(rates) > 1 and len({(a.value, a.unit, b and (b.value, b.unit)) for a, b in rates}) > 1:
        unclear.append("rate")
        rates = []
    dose = doses[0] if doses else None
    rate, per = rates[0] if rates else (None, None)
    if dose is not None and dose.unit is None:
        unclear.append("dose")
    if rate is not None and (rate.unit is None or (per is not None and per.unit is None)):
        unclear.append("rate")
    return dose, rate, per


class _Timing:
    """What a timing says, collected."""

    def __init__(self) -> None:
        self.duration: Interval | None = None
        self.per_day: Decimal | None = None
        self.once = True
        self.start: Moment | None = None
        self.end: Moment | None = None
        self.events: tuple[Moment, ...] = ()


def _timing(timing: shapes.Timing | None, times: Times, unclear: list[str]) -> _Timing:
    found = _Timing()
    if timing is None:
        return found
    if timing.event:
        events = [times.read(text) for text in timing.event]
        found.events = tuple(each for each in events if each is not None)
        if len(found.events) != len(events):
            unclear.append("timing")
    repeat = timing.repeat
    if repeat is not None:
        _repeat(repeat, found, times, unclear)
    if timing.code is not None and found.once:
        names = {_TIMES_A_DAY[c.code.upper()] for c in timing.code.coding if c.code.upper() in _TIMES_A_DAY}
        if len(names) == 1:
            found.per_day, found.once = Decimal(names.pop()), False
        else:
            unclear.append("frequency")
    return found


def _repeat(repeat: shapes.Repeat, found: _Timing, times: Times, unclear: list[str]) -> None:
    if repeat.duration or repeat.durationMax or repeat.durationUnit:
        found.duration = minutes(repeat.duration, repeat.durationMax, repeat.durationUnit)
        if found.duration is None:
            unclear.append("duration")
    if repeat.frequency or repeat.frequencyMax or repeat.period or repeat.periodUnit:
        found.once = False
        found.per_day = per_day(repeat.frequency, repeat.frequencyMax, repeat.period, repeat.periodUnit)
        if found.per_day is None:
            unclear.append("frequency")
    elif repeat.timeOfDay or repeat.when:
        found.once = False
        found.per_day = Decimal(len(repeat.timeOfDay) or len(repeat.when))
    if repeat.dayOfWeek and found.per_day is not None:
        # On some days of the week only: what one of these days gets still stands, the weekly sum does not.
        unclear.append("days of the week")
    count = number_of(repeat.count) if repeat.count else None
    if repeat.count and count is None:
        unclear.append("count")
    elif count == 1:
        found.once, found.per_day = True, None
    if repeat.boundsPeriod is not None:
        for text, name in ((repeat.boundsPeriod.start, "start"), (repeat.boundsPeriod.end, "end")):
            moment = times.read(text) if text else None
            if text and moment is None:
                unclear.append(name)
            setattr(found, name, moment)
    elif repeat.boundsDuration is not None:
        _bounds_duration(repeat.boundsDuration, found, unclear)
    elif repeat.boundsRange is not None:
        unclear.append("length of the course")


def _bounds_duration(bounds: shapes.Quantity, found: _Timing, unclear: list[str]) -> None:
    """The end of a course that is given as a length: known only when the start is."""
    length = measure(bounds)
    if length is None or length.unit is None or length.value.exact is None:
        unclear.append("length of the course")
        return
    try:
        span = int(convert(length.value.exact, length.unit, "min") * MINUTE)
    except (UnitError, ArithmeticError):
        unclear.append("length of the course")
        return
    start = found.events[0] if found.events else None
    if start is not None:
        found.start = start
        earliest = None if start.earliest is None else start.earliest + span
        found.end = Moment(earliest, start.latest + span, start.mark, start.text)
