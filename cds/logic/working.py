"""Expressions worked out on a scene: formulas, sums over orders, series, and numbers of the order in hand. Each gives a `Number` or a named gap."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from cds import formulas
from cds.chart import MINUTE, Order, Result
from cds.logic.compare import Candidate, KnowledgeError, Missing, Number
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
from cds.logic.reason import Gap, GapState, Seen
from cds.numbers import UNBOUNDED, ZERO, Interval, point, shown, spread
from cds.orders.totals import Total as Sum
from cds.orders.totals import total
from cds.parameters import Absent, Parameter
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.scene import Scene


def work_out(scene: Scene, expression: Expression, order: Order | None) -> Number | Missing:
    """The value of an expression, without looking whether it is known already."""
    match expression:
        case Latest(analyte, within, together):
            if isinstance(within, Absent):
                return _no_figure(analyte)
            return scene.latest(analyte, within.number, None if together is None or isinstance(together, Absent) else together.number)
        case Formula(name, within):
            return _formula(scene, name, within)
        case Total(substance, scope, lines, per_kg):
            return _total(scene, substance, scope, lines, per_kg)
        case DayTotal(substance, scope):
            return _day_total(scene, substance, scope)
        case Slope() | Change() | Projected():
            return _series(scene, expression)
        case OfOrder(fact, substance):
            return _of_order(scene, order, fact, substance)
        case DosePerWeight(substance):
            return _per_weight(scene, _of_order(scene, order, "amount", substance))
        case RatePerWeight(substance):
            return _per_weight(scene, _of_order(scene, order, "per_hour", substance))
        case Since(event):
            return _since(scene, event)
        case Age(unit):
            return _age(scene, unit)


def analytes_of_expression(expression: Expression) -> frozenset[str] | None:
    """The analytes that an expression rests on; None when it may rest on anything (the time since an event that a state dates)."""
    match expression:
        case Latest(analyte, _, _) | Slope(analyte, _, _, _) | Change(analyte, _):
            return frozenset((analyte,))
        case Projected(series, _):
            return frozenset((series.analyte,))
        case Formula(name, _):
            formula = formulas.FORMULAS[name]
            return frozenset((*formula.inputs, *formula.optional))
        case Since():
            return None
        case Age():
            return frozenset()
        case Total() | DayTotal() | OfOrder() | DosePerWeight() | RatePerWeight():
            return frozenset(("weight",))


# Formulas ----------------------------------------------------------------------------------------------------------------------------


def _formula(scene: Scene, name: str, within: Limit) -> Number | Missing:
    if isinstance(within, Absent):
        return _no_figure(name)
    formula = formulas.FORMULAS[name]
    values: dict[str, Interval] = {}
    used: list[Candidate] = []
    gaps: list[Gap] = []
    times: list[int] = []
    for item in (*formula.inputs, *formula.optional):
        needed = item in formula.inputs
        if item == "age":
            years = scene.chart.age_years()
            if years is None:
                gaps.append(Gap("age", GapState.NOT_SENT, "age: not recorded"))
            else:
                values[item] = Interval(Decimal(years[0]), Decimal(years[1]))
            continue
        key = f"{item}_age"
        own = scene.p[key] if key in scene.p else None
        window = own.number if isinstance(own, Parameter) else within.number
        found = scene.latest(item, window)
        if isinstance(found, Missing):
            if needed:
                gaps.extend(found.gaps)
            continue
        first = found.candidates[0]
        values[item] = first.value
        used.append(first)
        if not isinstance(own, Parameter) and first.seen.at is not None:
            times.append(first.seen.at.latest)
    seen = tuple(c.seen for c in used)
    if gaps:
        return Missing(tuple(gaps), seen)
    apart = (max(times) - min(times)) // MINUTE if times else 0
    together, limit = formulas.pairing(scene.p)
    if apart > limit:
        return Missing((Gap(formula.label, GapState.STALE, f"{formula.label}: inputs drawn {apart} min apart"),), seen)
    try:
        value = formulas.compute(name, values, scene.p, sex=scene.chart.patient.sex)
    except formulas.NotComputable as error:
        return Missing((Gap(formula.label, GapState.UNUSABLE, f"{formula.label}: {error}"),), seen)
    note = f"drawn {apart} min apart" if apart > together else ""

    def told() -> Seen:
        inputs = ", ".join(f"{ANALYTES[s.item].label} {s.text}" for s in seen)
        text = f"{spread(value, formula.decimals)} {formula.unit}".strip()
        return Seen("formula", formula.label, text, value=value, unit=formula.unit, note="; ".join(filter(None, (inputs, note))), parts=seen)

    return Number((Candidate(value, None, formula.unit, told),), formula.unit, note=note)


# Sums over orders --------------------------------------------------------------------------------------------------------------------


def _total(scene: Scene, substance: str, scope: str, lines: str, per_kg: bool) -> Number | Missing:
    found = total(scene.orders, scene.reading, substance, scope=scope, lines=lines, p=scene.p)
    # What balanced fluids carry counts in the sum and alone never triggers a code (MET 1.5).
    interval = found.trigger if found.trigger.high == ZERO else found.interval

    def told() -> Seen:
        return Seen("total", f"{substance.removeprefix('drug:').replace('_', ' ')} per hour", found.shown(), value=interval, unit=found.unit,
                    parts=_bags(found))  # fmt: skip

    number = Number((Candidate(interval, None, found.unit, told),), found.unit, total=True)
    return _per_weight(scene, number) if per_kg else number


def _day_total(scene: Scene, substance: str, scope: str) -> Number | Missing:
    found = total(scene.orders, scene.reading, substance, scope=scope, p=scene.p)
    amounts = [part.day_amount for part in found.parts]
    stated = [amount for amount in amounts if amount is not None]
    label = f"{substance} per 24 h"
    if not stated:
        return Missing((Gap(label, GapState.NOT_SENT, f"{label}: no order states how long it runs"),))
    open_end = len(stated) < len(amounts) or bool(found.uncounted) or found.partial
    low = max((a.low or ZERO for a in stated), default=ZERO) if found.doubles else sum((a.low or ZERO for a in stated), ZERO)
    highs = [a.high for a in stated]
    high = None if open_end or None in highs else sum((h for h in highs if h is not None), ZERO)
    amount, unit = Interval(low, high), found.unit.removesuffix("/h")
    told = Seen("total", label, f"{spread(amount, 0)} {unit} in 24 h", value=amount, unit=unit,
                parts=_bags(found))  # fmt: skip
    return Number((Candidate(amount, None, unit, told),), unit, total=True)


def _bags(found: Sum) -> tuple[Seen, ...]:
    """What a sum was added up from, in the order of the references: how a client lists its orders decides nothing."""
    return tuple(Seen("order", found.substance, part.label, part.ref) for part in sorted(found.parts, key=lambda part: (part.ref, part.drafted)))


# Series ------------------------------------------------------------------------------------------------------------------------------


def _series(scene: Scene, expression: Slope | Change | Projected) -> Number | Missing:
    series = expression.series if isinstance(expression, Projected) else expression
    if isinstance(series.window, Absent):
        return _no_figure(series.analyte)
    unit, label = ANALYTES[series.analyte].unit, ANALYTES[series.analyte].label
    floor = scene.now - int(series.window.number * MINUTE)
    points = _of_one_method([r for r in scene.results(series.analyte) if r.value.exact is not None and r.at.exact and r.at.latest >= floor])
    seen = tuple(scene.seen_result(r) for r in points)
    if isinstance(series, Change):
        if len(points) < 2:
            return Missing((Gap(series.analyte, GapState.NOT_MEASURED, f"{label}: fewer than two results"),), seen)
        change = points[0].value - points[-1].value
        return _told("series", f"change of {label}", change, f"{spread(change, 2)} {unit}", unit, seen)
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
        going = "falling" if slope < ZERO else "rising"
        text = f"{spread(value, 1)} {unit} in {shown(ahead)} h if it goes on {going} by {shown(abs(slope), 2)} {unit}/h"
        return _told("series", f"projected {label}", value, text, unit, seen)
    return _told("series", f"slope of {label}", point(slope), f"{shown(slope, 2)} {unit}/h over {len(points)} results", f"{unit}/h", seen)


def _of_one_method(points: list[Result]) -> list[Result]:
    """A trend never mixes methods (HZ-21): the newest point's method decides."""
    return [r for r in points if r.method == points[0].method]


def _told(kind: str, item: str, value: Interval, text: str, unit: str, parts: tuple[Seen, ...]) -> Number:
    return Number((Candidate(value, None, unit, Seen(kind, item, text, value=value, unit=unit, parts=parts)),), unit)


# The order in hand -------------------------------------------------------------------------------------------------------------------


def _of_order(scene: Scene, order: Order | None, fact: str, substance: str) -> Number | Missing:
    if order is None:
        raise KnowledgeError(f"'{fact}' asks for an order in hand, and there is none")
    reading = scene.reading(order)
    if fact == "duration_minutes":
        return _order_number(order, fact, reading.duration_minutes, "min", "duration not stated")
    dose = reading.substance(substance)
    if dose is None:
        return Missing((Gap(substance, GapState.NOT_SENT, f"{order.label}: no {substance} in it"),))
    why_not = dose.why_not or f"{fact.replace('_', ' ')} not stated"
    match fact:
        case "per_hour":
            return _order_number(order, fact, dose.per_hour, f"{dose.unit}/h", why_not)
        case "amount":
            return _order_number(order, fact, dose.amount, dose.unit, why_not)
        case "concentration":
            return _order_number(order, fact, dose.concentration, f"{dose.unit}/L", why_not)
        case "mg_per_ml":
            return _order_number(order, fact, dose.mg_per_ml, "mg/mL", why_not)
        case "per_day":
            day = None if dose.amount is None or reading.per_day is None else dose.amount.scale(reading.per_day)
            return _order_number(order, fact, day, dose.unit, why_not)
        case _:
            raise KnowledgeError(f"an order has no number '{fact}'")


def _order_number(order: Order, fact: str, value: Interval | None, unit: str, why_not: str) -> Number | Missing:
    if value is None:
        return Missing((Gap(f"{fact.replace('_', ' ')} of {order.label}", GapState.NOT_SENT, f"{order.label}: {why_not}"),))
    held = value
    return Number((Candidate(held, None, unit, lambda: Seen("order", order.label, f"{spread(held, 2)} {unit}", order.ref, held, unit, path=order.path)),), unit)


def _per_weight(scene: Scene, number: Number | Missing) -> Number | Missing:
    if isinstance(number, Missing):
        return number
    weight = scene.weight()
    if isinstance(weight, Missing):
        return weight
    kg = weight.candidates[0]
    made = []
    unit = number.unit.replace("/h", "/kg/h") if number.unit.endswith("/h") else f"{number.unit}/kg"
    for candidate in number.candidates:
        value = candidate.value.over(kg.value) if candidate.value.low is not None else UNBOUNDED
        text = f"{spread(value, 3)} {unit} ({candidate.seen.text}, {kg.seen.text})"
        whole = Seen(candidate.seen.kind, candidate.seen.item, text, candidate.seen.ref, value, unit, parts=(*candidate.seen.parts, kg.seen))
        made.append(Candidate(value, None, unit, whole))
    return Number(tuple(made), unit, number.total)


# Time --------------------------------------------------------------------------------------------------------------------------------


def _since(scene: Scene, event: str) -> Number | Missing:
    moment = scene.event(event)
    if moment is None:
        return Missing((Gap(event, GapState.NOT_SENT, f"{event}: no time recorded"),))
    low = Decimal(max(0, scene.now - moment.latest)) / MINUTE
    high = None if moment.earliest is None else Decimal(max(0, scene.now - moment.earliest)) / MINUTE
    value = Interval(low, high)
    seen = Seen("event", event, f"{spread(value, 0)} min", value=value, unit="min", at=moment, age_minutes=int(low))
    return Number((Candidate(value, None, "min", seen),), "min")


def _age(scene: Scene, unit: str) -> Number | Missing:
    span = scene.chart.age_years() if unit == "years" else scene.chart.age_days()
    if span is None:
        return Missing((Gap("age", GapState.NOT_SENT, "age: not recorded"),))
    value = Interval(Decimal(span[0]), Decimal(span[1]))
    code = "a" if unit == "years" else "d"
    return Number((Candidate(value, None, code, Seen("age", "age", f"{spread(value, 0)} {unit}", value=value, unit=code)),), code)


def _no_figure(item: str) -> Missing:
    return Missing((Gap(item, GapState.OUT_OF_SCOPE, f"{item}: no figure for this age"),))
