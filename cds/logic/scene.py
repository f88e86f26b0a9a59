"""One assessment's view of the chart: numbers as intervals or named gaps, orders read once, states judged once.

A `Scene` is made for one call of `assess`, lives as long as that call and is never shared. It remembers what it has worked out (the same latest
potassium is asked for by ten advisories), which changes no answer: every look-up is a pure function of the chart, the parameters and `now`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from cds import formulas, units
from cds.chart import MINUTE, Chart, Condition, Feed, Moment, Order, Problem, Result, Results, Source
from cds.logic.criteria import (
    Age,
    Change,
    DayTotal,
    DosePerWeight,
    Expression,
    Formula,
    Latest,
    Limit,
    OfOrder,
    Projected,
    RatePerWeight,
    Since,
    Slope,
    Total,
)
from cds.logic.reason import Gap, GapState, Reason, Seen
from cds.logic.truth import FALSE, TRUE, Truth
from cds.numbers import UNBOUNDED, Interval, point, shown
from cds.orders.identity import OrderPicture, identify
from cds.orders.reading import Reading, read_order
from cds.orders.totals import total
from cds.parameters import Absent, Parameter, ParameterSet
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.criteria import Criterion


class KnowledgeError(ValueError):
    """The knowledge itself is at fault: a limit whose unit cannot meet its item, a state that does not exist, a cycle."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One value that may decide: canonical, and as reported with its unit where a source may print its own figure for that unit."""

    value: Interval
    reported: Interval | None
    unit: str
    seen: Seen


@dataclass(frozen=True, slots=True)
class Number:
    """A known number. `total` marks a sum over orders, whose upper end may be unbounded (F-1)."""

    candidates: tuple[Candidate, ...]
    unit: str
    total: bool = False
    note: str = ""

    @property
    def seen(self) -> tuple[Seen, ...]:
        """What the number rests on."""
        return tuple(candidate.seen for candidate in self.candidates)


@dataclass(frozen=True, slots=True)
class Missing:
    """A number that is not there, and why."""

    gaps: tuple[Gap, ...]
    seen: tuple[Seen, ...] = ()


@dataclass(frozen=True, slots=True)
class StateValue:
    """A state that was judged: its truth, evidence, gaps, and the events that it dates ("seizure onset")."""

    truth: Truth
    seen: tuple[Seen, ...] = ()
    gaps: tuple[Gap, ...] = ()
    events: Mapping[str, Moment] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True, slots=True)
class StateDef:
    """A named state: a criterion, or a pure function where dates of several records meet. `means` is its definition in words, for committees."""

    name: str
    means: str
    node: Criterion | None = None
    compute: Callable[[Scene], StateValue] | None = None
    source: str = ""


Judge = Callable[["Criterion", "Scene"], Reason]


class Scene:
    """The chart at one instant under one population's parameters. `at` gives the same chart at an earlier instant (F-33)."""

    __slots__ = (
        "_memo",
        "_numbers",
        "_readings",
        "_states",
        "chart",
        "judge",
        "now",
        "orders",
        "origin",
        "p",
        "population",
        "slots",
        "state_defs",
        "truths",
    )

    def __init__(
        self,
        chart: Chart,
        p: ParameterSet,
        states: Mapping[str, StateDef],
        judge: Judge,
        *,
        now: int | None = None,
        origin: Scene | None = None,
    ) -> None:
        self.chart = chart
        self.p = p
        self.population = p.population or "adult"
        self.state_defs = states
        self.judge = judge
        self.now = chart.now if now is None else now
        self.origin = origin
        self.orders: OrderPicture = origin.orders if origin is not None else identify(chart)
        self._numbers: dict[tuple[Expression, str | None], Number | Missing] = {}
        self._readings: dict[str, Reading] = origin._readings if origin is not None else {}
        self._states: dict[str, StateValue | None] = {}
        self._memo: dict[object, object] = {}
        self.truths: dict[int, Truth] = {}
        self.slots: dict[object, Number | Missing] = {}

    def at(self, instant: int) -> Scene:
        """The same chart judged as of an earlier instant: later results are not seen, orders and conditions are as now (F-33)."""
        key = ("at", instant)
        found = self._memo.get(key)
        if not isinstance(found, Scene):
            found = Scene(self.chart, self.p, self.state_defs, self.judge, now=instant, origin=self.origin or self)
            self._memo[key] = found
        return found

    def with_results(self, results: Results) -> Scene:
        """The same call with other results (for the flip); orders are read once for both."""
        made = Scene(replace(self.chart, results=results), self.p, self.state_defs, self.judge, origin=self)
        made.origin = None
        return made

    # Results --------------------------------------------------------------------------------------------------------------------

    def results(self, analyte: str) -> Sequence[Result]:
        """Counted results drawn at or before `now`, newest first."""
        found = self.chart.results.of(analyte)
        if self.now >= self.chart.now:
            return found
        return [result for result in found if result.at.latest <= self.now]

    def current(self, result: Result, within: Decimal) -> bool:
        """Whether the result is surely no older than `within` minutes; equality counts (MET 1.3)."""
        return result.at.earliest is not None and self.now - result.at.earliest <= within * MINUTE

    def seen_result(self, result: Result) -> Seen:
        """A result as evidence, with its age."""
        age = max(0, (self.chart.now - result.at.latest) // MINUTE)
        notes = [note for note in (result.at.mark, "haemolysed" if result.haemolysed else "", "preliminary" if result.preliminary else "") if note]
        return Seen(
            "result", result.analyte, result.text, result.ref, result.value, ANALYTES[result.analyte].unit, result.at, age,
            result.method, "; ".join(notes), result.path,
        )  # fmt: skip

    def sources(self, item: str) -> tuple[Source, ...]:
        """The prefetch lists from which an item may come."""
        return tuple(self.chart.source(key) for key in self.chart.item_keys.get(item, ()))

    def whole(self, item: str) -> bool:
        """Whether the list behind an item was sent whole, so that it may say "there is none"."""
        return all(source.feed is Feed.WHOLE for source in self.sources(item))

    def gap(self, item: str, within: Decimal | None = None, last: Result | None = None) -> Gap:
        """Why there is no current value of an item: the state and the words."""
        sources = self.sources(item)
        keys = tuple(source.key for source in sources)
        since = self.now - int((within or 0) * MINUTE)
        minutes = None if within is None else int(within)
        label = ANALYTES[item].label if item in ANALYTES else item
        seen = None if last is None else self.seen_result(last)
        problems: tuple[Problem, ...] = self.chart.results.problems(item) if item in ANALYTES else ()
        recent = [p for p in problems if p.at is None or p.at.latest >= since]
        for source in sources:
            if source.feed is Feed.FAILED:
                return Gap(item, GapState.FETCH_FAILED, f"{label}: {source.detail or 'the list could not be fetched'}", keys, seen, minutes)
            if source.feed is Feed.ABSENT:
                return Gap(item, GapState.NOT_SENT, f"{label}: the list '{source.key}' was not sent", keys, seen, minutes)
            if not source.covers(since):
                return Gap(item, GapState.FETCH_FAILED, f"{label}: only part of the list '{source.key}' was sent", keys, seen, minutes)
        if recent:
            return Gap(item, GapState.UNUSABLE, f"{label}: {recent[0].message}", keys, seen, minutes)
        if last is not None and seen is not None:
            return Gap(item, GapState.STALE, f"{label} {last.text} is {_ago(seen.age_minutes)} old", keys, seen, minutes)
        return Gap(item, GapState.NOT_MEASURED, f"{label}: none recorded", keys, None, minutes)

    def latest(self, analyte: str, within: Decimal, together: Decimal | None = None) -> Number | Missing:
        """The newest current result, or with `together` every current one within so many minutes of it."""
        results = self.results(analyte)
        newest = next((result for result in results if self.current(result, within)), None)
        if newest is None:
            return Missing((self.gap(analyte, within, results[0] if results else None),))
        chosen = [newest]
        if together is not None:
            floor = newest.at.latest - int(together * MINUTE)
            chosen += [r for r in results if r is not newest and self.current(r, within) and r.at.latest >= floor]
        return Number(
            tuple(Candidate(r.value, r.reported, r.unit, self.seen_result(r)) for r in chosen), ANALYTES[analyte].unit
        )

    # Conditions and states ------------------------------------------------------------------------------------------------------

    def conditions(self, concepts: Sequence[str]) -> list[Condition]:
        """Conditions that stand and carry one of the concepts."""
        return [c for c in self.chart.conditions if c.stands and not set(c.concepts).isdisjoint(concepts)]

    def state(self, name: str) -> StateValue:
        """A named state, judged once. KnowledgeError when it does not exist or rests on itself."""
        if name in self._states:
            found = self._states[name]
            if found is None:
                raise KnowledgeError(f"state '{name}' rests on itself")
            return found
        definition = self.state_defs.get(name)
        if definition is None:
            raise KnowledgeError(f"no state '{name}'")
        self._states[name] = None
        if definition.compute is not None:
            value = definition.compute(self)
        else:
            assert definition.node is not None  # noqa: S101 - one of the two is set, checked when the knowledge is built
            reason = self.judge(definition.node, self)
            value = StateValue(reason.truth, leaves_seen(reason), deciding_gaps(reason))
        self._states[name] = value
        return value

    def event(self, name: str) -> Moment | None:
        """The time of a named event, from whichever state dates it; None when no state does."""
        for state in self.state_defs:
            if self.state_defs[state].compute is None:
                continue
            value = self.state(state)
            if name in value.events:
                return value.events[name]
        return None

    # Orders ---------------------------------------------------------------------------------------------------------------------

    def weight(self) -> Number | Missing:
        """Current body weight (N-02: window by age)."""
        known = self._memo.get("weight")
        if isinstance(known, (Number, Missing)):
            return known
        days = self.chart.age_days()
        key = "weight_age_infant" if days is not None and days[1] < 365 else "weight_age"
        found = self._latest_by(self.p[key], "weight")
        self._memo["weight"] = found
        return found

    def _latest_by(self, limit: Limit, analyte: str) -> Number | Missing:
        if isinstance(limit, Absent):
            return Missing((Gap(analyte, GapState.OUT_OF_SCOPE, f"no window for {analyte} at this age"),))
        return self.number(Latest(analyte, limit))

    def weight_kg(self) -> Interval | None:
        """Body weight as an interval in kg; None when there is no current one."""
        found = self.weight()
        return found.candidates[0].value if isinstance(found, Number) else None

    def reading(self, order: Order) -> Reading:
        """The order read as a typed dose, once."""
        found = self._readings.get(order.ref)
        if found is None:
            found = read_order(order, weight_kg=self.weight_kg(), p=self.p)
            self._readings[order.ref] = found
        return found

    # Numbers --------------------------------------------------------------------------------------------------------------------

    def number(self, expression: Expression, order: Order | None = None) -> Number | Missing:
        """The value of an expression, worked out once."""
        key = (expression, order.ref if order is not None and isinstance(expression, (OfOrder, DosePerWeight, RatePerWeight)) else None)
        found = self._numbers.get(key)
        if found is None:
            found = self.work_out(expression, order)
            self._numbers[key] = found
        return found

    def work_out(self, expression: Expression, order: Order | None) -> Number | Missing:
        """The value of an expression without looking whether it is known already."""
        match expression:
            case Latest(analyte, within, together):
                if isinstance(within, Absent):
                    return _no_figure(analyte)
                return self.latest(analyte, within.number, None if together is None or isinstance(together, Absent) else together.number)
            case Formula(name, within):
                return self._formula(name, within)
            case Total(substance, scope, lines, per_kg):
                return self._total(substance, scope, lines, per_kg)
            case DayTotal(substance, scope):
                return self._day_total(substance, scope)
            case Slope() | Change() | Projected():
                return self._series(expression)
            case OfOrder(fact, substance):
                return self._of_order(order, fact, substance)
            case DosePerWeight(substance):
                return self._per_weight(self._of_order(order, "amount", substance))
            case RatePerWeight(substance):
                return self._per_weight(self._of_order(order, "per_hour", substance))
            case Since(event):
                return self._since(event)
            case Age(unit):
                return self._age(unit)

    def _formula(self, name: str, within: Limit) -> Number | Missing:
        if isinstance(within, Absent):
            return _no_figure(name)
        formula = formulas.FORMULAS[name]
        values: dict[str, Interval] = {}
        seen: list[Seen] = []
        gaps: list[Gap] = []
        for analyte in formula.inputs:
            if analyte == "age":
                years = self.chart.age_years()
                if years is None:
                    gaps.append(Gap("age", GapState.NOT_SENT, "age: not recorded"))
                else:
                    values[analyte] = Interval(Decimal(years[0]), Decimal(years[1]))
                continue
            window = within.number
            own = self.p.get(f"{analyte}_age")
            if isinstance(own, Parameter):
                window = own.number
            found = self.latest(analyte, window)
            if isinstance(found, Missing):
                gaps.extend(found.gaps)
            else:
                values[analyte] = found.candidates[0].value
                seen.append(found.candidates[0].seen)
        if gaps:
            return Missing(tuple(gaps), tuple(seen))
        paired = [s.at.latest for s in seen if s.at is not None and f"{s.item}_age" not in self.p]
        apart = (max(paired) - min(paired)) // MINUTE if paired else 0
        limits = formulas.pairing(self.p)
        if apart > limits[1]:
            return Missing((Gap(formula.label, GapState.STALE, f"{formula.label}: inputs drawn {apart} min apart"),), tuple(seen))
        try:
            value = formulas.compute(name, values, self.p, sex=self.chart.patient.sex)
        except formulas.NotComputable as error:
            return Missing((Gap(formula.label, GapState.UNUSABLE, f"{formula.label}: {error}"),), tuple(seen))
        note = f"drawn {apart} min apart" if apart > limits[0] else ""
        text = f"{_span(value, formula.decimals)} {formula.unit}".strip()
        whole = Seen("formula", formula.label, text, value=value, unit=formula.unit, note="; ".join(filter(None, (note, *(s.text for s in seen)))))
        return Number((Candidate(value, None, formula.unit, whole),), formula.unit, note=note)

    def _total(self, substance: str, scope: str, lines: str, per_kg: bool) -> Number | Missing:
        found = total(self.orders, self.reading, substance, scope=scope, lines=lines, p=self.p)
        interval = found.interval
        note = found.shown()
        if not self.whole("medications"):
            interval = Interval(interval.low, None, interval.low_open)
            note = f"at least {_span(Interval(interval.low, interval.low), 1)} {found.unit}; the medication list is not whole"
        seen = Seen("total", f"{substance} per hour", note, value=interval, unit=found.unit)
        number = Number((Candidate(interval, None, found.unit, seen),), found.unit, total=True, note=note)
        return self._per_weight(number) if per_kg else number

    def _day_total(self, substance: str, scope: str) -> Number | Missing:
        orders = self.orders.running if scope == "running" else self.orders.if_signed
        amount = point(Decimal(0))
        counted = False
        for order in orders:
            dose = self.reading(order).substance(substance)
            if dose is None or dose.per_hour is None or dose.hours is None:
                continue
            hours = dose.hours
            day = Decimal(24)
            capped = Interval(
                None if hours.low is None else min(hours.low, day), None if hours.high is None else min(hours.high, day)
            )
            amount = amount + dose.per_hour.times(capped)
            counted = True
        if not counted:
            return Missing((Gap(f"{substance} per 24 h", GapState.NOT_SENT, f"{substance} per 24 h: no order states how long it runs"),))
        text = f"{_span(amount, 0)} mmol in 24 h"
        return Number((Candidate(amount, None, "mmol", Seen("total", f"{substance} per 24 h", text, value=amount, unit="mmol")),), "mmol", total=True)

    def _series(self, expression: Slope | Change | Projected) -> Number | Missing:
        series = expression.series if isinstance(expression, Projected) else expression
        if isinstance(series.window, Absent):
            return _no_figure(series.analyte)
        unit = ANALYTES[series.analyte].unit
        floor = self.now - int(series.window.number * MINUTE)
        points = [r for r in self.results(series.analyte) if r.value.exact is not None and r.at.exact and r.at.latest >= floor]
        methods = {r.method for r in points}
        if len(methods) > 1:
            newest = points[0].method
            points = [r for r in points if r.method == newest]
        seen = tuple(self.seen_result(r) for r in points)
        label = ANALYTES[series.analyte].label
        if isinstance(series, Change):
            if len(points) < 2:
                return Missing((Gap(series.analyte, GapState.NOT_MEASURED, f"{label}: fewer than two results"),), seen)
            value = points[0].value - points[-1].value
            whole = Seen("series", f"change of {label}", f"{_span(value, 2)} {unit}", value=value, unit=unit)
            return Number((Candidate(value, None, unit, whole),), unit)
        if isinstance(series.span, Absent) or isinstance(series.apart, Absent):
            return _no_figure(series.analyte)
        pairs = [(Decimal(r.at.latest - floor) / (60 * MINUTE), r.value.exact) for r in reversed(points)]
        slope = formulas.slope(
            [(hours, value) for hours, value in pairs if value is not None], min_span=series.span.number / 60, min_apart=series.apart.number / 60
        )
        if slope is None:
            return Missing((Gap(series.analyte, GapState.NOT_MEASURED, f"{label}: no series over {shown(series.span.number)} min"),), seen)
        if isinstance(expression, Projected):
            if isinstance(expression.ahead, Absent) or points[0].value.exact is None:
                return _no_figure(series.analyte)
            ahead = expression.ahead.number / 60 if expression.ahead.unit == "min" else expression.ahead.number
            value = point(points[0].value.exact + slope * ahead)
            text = f"{_span(value, 1)} {unit} in {shown(ahead)} h if it goes on falling by {shown(abs(slope), 2)} {unit}/h"
            return Number((Candidate(value, None, unit, Seen("series", f"projected {label}", text, value=value, unit=unit)),), unit)
        text = f"{shown(slope, 2)} {unit}/h over {len(points)} results"
        return Number((Candidate(point(slope), None, f"{unit}/h", Seen("series", f"slope of {label}", text, value=point(slope), unit=f"{unit}/h")),), f"{unit}/h")

    def _of_order(self, order: Order | None, fact: str, substance: str) -> Number | Missing:
        if order is None:
            raise KnowledgeError(f"'{fact}' asks for an order in hand, and there is none")
        reading = self.reading(order)
        if fact == "duration_minutes":
            return self._order_number(order, fact, reading.duration_minutes, "min", "duration not stated")
        dose = reading.substance(substance)
        if dose is None:
            return Missing((Gap(substance, GapState.NOT_SENT, f"{order.label}: no {substance} in it"),))
        value = {"per_hour": dose.per_hour, "amount": dose.amount, "concentration": dose.concentration, "mg_per_ml": dose.concentration}.get(fact)
        unit = {"per_hour": f"{dose.unit}/h", "amount": dose.unit, "concentration": f"{dose.unit}/L", "mg_per_ml": "mg/mL"}.get(fact, dose.unit)
        if fact == "per_day":
            value = None if dose.amount is None or reading.per_day is None else dose.amount.scale(reading.per_day)
        if fact == "mg_per_ml" and value is not None:
            value = value.scale(Decimal("0.001"))
        return self._order_number(order, fact, value, unit, dose.why_not or f"{fact.replace('_', ' ')} not stated")

    def _order_number(self, order: Order, fact: str, value: Interval | None, unit: str, why_not: str) -> Number | Missing:
        if value is None:
            return Missing((Gap(f"{fact.replace('_', ' ')} of {order.label}", GapState.NOT_SENT, f"{order.label}: {why_not}"),))
        seen = Seen("order", order.label, f"{_span(value, 2)} {unit}", order.ref, value, unit, path=order.path)
        return Number((Candidate(value, None, unit, seen),), unit)

    def _per_weight(self, number: Number | Missing) -> Number | Missing:
        if isinstance(number, Missing):
            return number
        weight = self.weight()
        if isinstance(weight, Missing):
            return weight
        kg = weight.candidates[0]
        made = []
        unit = number.unit.replace("/h", "/kg/h") if number.unit.endswith("/h") else f"{number.unit}/kg"
        for candidate in number.candidates:
            value = candidate.value.over(kg.value) if candidate.value.low is not None else UNBOUNDED
            text = f"{_span(value, 3)} {unit} ({candidate.seen.text}, {kg.seen.text})"
            made.append(Candidate(value, None, unit, Seen(candidate.seen.kind, candidate.seen.item, text, candidate.seen.ref, value, unit)))
        return Number(tuple(made), unit, number.total)

    def _since(self, event: str) -> Number | Missing:
        moment = self.event(event)
        if moment is None:
            return Missing((Gap(event, GapState.NOT_SENT, f"{event}: no time recorded"),))
        low = Decimal(max(0, self.now - moment.latest)) / MINUTE
        high = None if moment.earliest is None else Decimal(max(0, self.now - moment.earliest)) / MINUTE
        value = Interval(low, high)
        seen = Seen("event", event, f"{_span(value, 0)} min", value=value, unit="min", at=moment, age_minutes=int(low))
        return Number((Candidate(value, None, "min", seen),), "min")

    def _age(self, unit: str) -> Number | Missing:
        span = self.chart.age_years() if unit == "years" else self.chart.age_days()
        if span is None:
            return Missing((Gap("age", GapState.NOT_SENT, "age: not recorded"),))
        value = Interval(Decimal(span[0]), Decimal(span[1]))
        code = "a" if unit == "years" else "d"
        return Number((Candidate(value, None, code, Seen("age", "age", f"{_span(value, 0)} {unit}", value=value, unit=code)),), code)


def compare(number: Number, limit: Parameter, test: Callable[[Interval, Decimal, bool], bool | None]) -> bool | None:
    """Compare each candidate with the limit and take TRUE if one is, FALSE if all are not.

    In the reported unit when the source prints a figure for it, else in the limit's own unit (MET 1.2, N-07). Order totals follow F-1.
    """
    answer: bool | None = False
    for candidate in number.candidates:
        one = test(*_meet(candidate, number.unit, limit), number.total)
        if one is True:
            return True
        if one is None:
            answer = None
    return answer


def _meet(candidate: Candidate, unit: str, limit: Parameter) -> tuple[Interval, Decimal]:
    if candidate.reported is not None:
        printed = limit.in_unit(candidate.unit)
        if printed is not None:
            return candidate.reported, printed
    if limit.unit == unit:
        return candidate.value, limit.number
    printed = limit.in_unit(unit)
    if printed is not None:
        return candidate.value, printed
    try:
        return candidate.value, units.convert(limit.number, limit.unit, unit)
    except units.UnitError as error:
        raise KnowledgeError(f"limit '{limit.key}' is in {limit.unit}, its item in {unit}") from error


def is_below(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value < limit. A total is below only when its upper end is."""
    if total_:
        return value.high is not None and value.high < limit
    return value.below(limit)


def is_at_most(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value <= limit. "None ordered" asks whether the upper end of a total is zero."""
    if total_:
        return value.high is not None and value.high <= limit
    above = value.above(limit)
    return None if above is None else not above


def is_above(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value > limit. A total fires on its upper end; with a bag that cannot be computed only its lower end can (F-1)."""
    if total_:
        if value.high is not None:
            return value.high > limit
        return True if value.low is not None and value.low > limit else None
    return value.above(limit)


def is_at_least(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value >= limit, totals as for `is_above`."""
    if total_:
        if value.high is not None:
            return value.high >= limit
        return True if value.low is not None and value.low >= limit else None
    below = value.below(limit)
    return None if below is None else not below


def leaves_seen(reason: Reason) -> tuple[Seen, ...]:
    """Everything that the leaves under a reason looked at, without repeats, in reading order."""
    found: dict[Seen, None] = {}
    _collect(reason, found)
    return tuple(found)


def _collect(reason: Reason, found: dict[Seen, None]) -> None:
    for seen in reason.seen:
        found.setdefault(seen)
    for child in reason.children:
        _collect(child, found)


def deciding_gaps(reason: Reason) -> tuple[Gap, ...]:
    """The gaps of the UNKNOWN leaves that keep this reason UNKNOWN; nothing when it is decided."""
    if reason.truth is TRUE or reason.truth is FALSE:
        return ()
    found: dict[tuple[str, GapState], Gap] = {}
    for gap in reason.gaps:
        found.setdefault((gap.item, gap.state), gap)
    for child in reason.children:
        for gap in deciding_gaps(child):
            found.setdefault((gap.item, gap.state), gap)
    return tuple(found.values())


def _no_figure(item: str) -> Missing:
    return Missing((Gap(item, GapState.OUT_OF_SCOPE, f"{item}: no figure for this age"),))


def _ago(minutes: int | None) -> str:
    if minutes is None:
        return "of unknown age"
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h" if minutes < 2880 else f"{minutes // 1440} days"


def _span(value: Interval, decimals: int) -> str:
    if value.exact is not None:
        return shown(value.exact, decimals)
    if value.high is None:
        return f"at least {shown(value.low, decimals)}" if value.low is not None else "not known"
    if value.low is None:
        return f"at most {shown(value.high, decimals)}"
    return f"{shown(value.low, decimals)} to {shown(value.high, decimals)}"
