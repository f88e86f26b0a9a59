"""Expressions worked out on a scene: formulas, sums over orders, what was given, and numbers of the order in hand. Each gives a `Number` or a named gap."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from cds import formulas
from cds.chart import DAY, MINUTE, Moment, Order
from cds.logic.arithmetic import calculate
from cds.logic.compare import Candidate, KnowledgeError, Missing, Number
from cds.logic.expressions import (
    Age,
    Change,
    CountOrders,
    DayTotal,
    DosePerWeight,
    Expression,
    Extreme,
    Figure,
    Formula,
    Given,
    Greater,
    Latest,
    Lesser,
    Limit,
    Minus,
    OfOrder,
    OrderFilter,
    Plus,
    Projected,
    RatePerWeight,
    Ratio,
    Scaled,
    Since,
    SinceStart,
    Slope,
    Total,
)
from cds.logic.matching import matching, seen_order, started, unread
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.series import series
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.numbers import UNBOUNDED, ZERO, Interval, point, shown, spread
from cds.orders.given import amount_given
from cds.orders.quantities import MINUTES_PER_HOUR
from cds.orders.substances import facts
from cds.orders.totals import HOURS_PER_DAY, total
from cds.orders.totals import Total as Sum
from cds.parameters import Absent, Parameter
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.scene import Scene


# What changes slowly has a window of its own, and need not be drawn with the others.
SLOW = frozenset(("albumin", "weight", "height"))


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
        case Slope() | Change() | Projected() | Extreme():
            return series(scene, expression)
        case Given(substance, within, per_kg):
            return _given(scene, substance, within, per_kg)
        case CountOrders():
            return _count(scene, expression)
        case SinceStart(orders):
            return _since_start(scene, orders)
        case Figure() | Plus() | Minus() | Ratio() | Scaled() | Lesser() | Greater():
            return calculate(scene, expression, order)
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
        case Latest(analyte, _, _):
            return frozenset((analyte,))
        case Change(of) | Extreme(of):
            return _of_series(of)
        case Slope(of, _, _, _, since):
            return None if since else _of_series(of)
        case Projected(of_series, _):
            return analytes_of_expression(of_series)
        case Formula(name, _):
            return _of_series(name)
        case Since() | CountOrders():
            return None
        case Age() | Figure() | SinceStart():
            return frozenset()
        case Total() | DayTotal() | OfOrder() | DosePerWeight() | RatePerWeight() | Given():
            return frozenset(("weight",))
        case Plus(parts) | Lesser(parts) | Greater(parts):
            return _of_all(parts)
        case Minus(of, less):
            return _of_all((of, less))
        case Ratio(of, to):
            return _of_all((of, to))
        case Scaled(of, _):
            return analytes_of_expression(of)


def asks_order(expression: Expression) -> bool:
    """Whether the value depends on the order in hand."""
    match expression:
        case OfOrder() | DosePerWeight() | RatePerWeight():
            return True
        case Plus(parts) | Lesser(parts) | Greater(parts):
            return any(asks_order(part) for part in parts)
        case Minus(of, less):
            return asks_order(of) or asks_order(less)
        case Ratio(of, to):
            return asks_order(of) or asks_order(to)
        case Scaled(of, _):
            return asks_order(of)
        case _:
            return False


def _of_series(name: str) -> frozenset[str]:
    if name in ANALYTES:
        return frozenset((name,))
    formula = formulas.FORMULAS[name]
    return frozenset((*formula.inputs, *formula.optional))


def _of_all(parts: tuple[Expression, ...]) -> frozenset[str] | None:
    found: set[str] = set()
    for part in parts:
        rests_on = analytes_of_expression(part)
        if rests_on is None:
            return None
        found |= rests_on
    return frozenset(found)


# Formulas ----------------------------------------------------------------------------------------------------------------------------


def _formula(scene: Scene, name: str, within: Limit) -> Number | Missing:
    if isinstance(within, Absent):
        return _no_figure(name)
    formula = formulas.FORMULAS[name]
    together, limit = formulas.pairing(scene.p)
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
        own = scene.p[key] if item in SLOW and key in scene.p else None
        window = own.number if isinstance(own, Parameter) else within.number
        found = scene.latest(item, window)
        if isinstance(found, Missing):
            if needed:
                gaps.extend(found.gaps)
            continue
        first = found.candidates[0]
        at = None if isinstance(own, Parameter) else first.seen.at
        if at is not None and not needed and times and max(*times, at.latest) - min(*times, at.latest) > limit * MINUTE:
            # What only sharpens the result, and was drawn at another time, is left out (Q-M11, R-n23).
            continue
        values[item] = first.value
        used.append(first)
        if at is not None:
            times.append(at.latest)
    seen = tuple(c.seen for c in used)
    if gaps:
        return Missing(tuple(gaps), seen)
    apart = (max(times) - min(times)) // MINUTE if times else 0
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


# What was given ----------------------------------------------------------------------------------------------------------------------


def _given(scene: Scene, substance: str, within: Limit, per_kg: bool) -> Number | Missing:
    if isinstance(within, Absent):
        return _no_figure(substance)
    amount, unit, orders, unsure = amount_given(scene.orders, scene.reading, substance, within.number, facts(scene.p))
    if not unit and substance.startswith("drug:"):
        unit = "mg{PE}" if substance == "drug:fosphenytoin" else "mg"
    unit = unit or {"insulin": "[iU]", "glucose": "g", "fluid": "mL", "crystalloid": "mL"}.get(substance, "mmol")

    def told() -> Seen:
        text = f"{spread(amount, 1)} {unit.replace('[iU]', 'units')} in {shown(within.number / MINUTES_PER_HOUR, 1)} h"
        parts = tuple(seen_order(order, scene) for order in sorted(orders, key=lambda each: each.ref))
        return Seen("given", f"{substance.replace('drug:', '').replace('_', ' ')} given", text, value=amount, unit=unit, note="; ".join(unsure), parts=parts)

    number = Number((Candidate(amount, None, unit, told),), unit, total=True)
    return _per_weight(scene, number) if per_kg else number


def _count(scene: Scene, expression: CountOrders) -> Number | Missing:
    sure, possible, seen = 0, 0, []
    for order, match in matching(expression.orders, scene):
        truth = match
        if expression.such_that is not None:
            inner = scene.judge(expression.such_that, scene, order).truth
            truth = FALSE if FALSE in (match, inner) else TRUE if match is inner is TRUE else UNKNOWN
        if truth is FALSE:
            continue
        possible += 1
        sure += truth is TRUE
        seen.append(seen_order(order, scene))
    value = Interval(Decimal(sure), None if unread(expression.orders, scene) else Decimal(possible))
    told = Seen("count", "number", spread(value, 0), value=value, unit="1", parts=tuple(seen))
    return Number((Candidate(value, None, "1", told),), "1")


def _since_start(scene: Scene, orders: OrderFilter) -> Number | Missing:
    found = [(started(order, orders, scene), order) for order, match in matching(orders, scene) if match is TRUE]
    dated = [(moment, order) for moment, order in found if moment is not None]
    label = ", ".join(name.replace("_", " ") for name in orders.classes)
    if not dated:
        detail = f"{label}: when it was started is not recorded" if found else f"{label}: none found"
        return Missing((Gap(f"start of {label}", GapState.NOT_SENT, detail),), tuple(seen_order(order, scene) for _, order in found))
    moment, order = max(dated, key=lambda pair: (pair[0].latest, pair[1].ref))
    value = _ago(moment, scene)
    age = None if value.low is None else int(value.low)
    seen = Seen("event", f"start of {order.label}", f"{spread(value, 0)} min", order.ref, value, "min", moment, age, path=order.path)
    return Number((Candidate(value, None, "min", seen),), "min")


def _ago(moment: Moment, scene: Scene) -> Interval:
    """Minutes from a moment to now; open upwards where only its latest is known."""
    low = Decimal(max(0, scene.now - moment.latest)) / MINUTE
    return Interval(low, None if moment.earliest is None else Decimal(max(0, scene.now - moment.earliest)) / MINUTE)


# The order in hand -------------------------------------------------------------------------------------------------------------------


def _of_order(scene: Scene, order: Order | None, fact: str, substance: str) -> Number | Missing:
    if order is None:
        raise KnowledgeError(f"'{fact}' asks for an order in hand, and there is none")
    reading = scene.reading(order)
    if fact == "duration_minutes":
        return _order_number(order, fact, reading.duration_minutes, "min", "duration not stated")
    if fact == "interval_hours":
        between = None if not reading.per_day else point(HOURS_PER_DAY / reading.per_day)
        return _order_number(order, fact, between, "h", "frequency not stated")
    if fact == "course_days":
        return _order_number(order, fact, _course_days(order), "d", "length of the course not stated")
    if fact == "started_minutes":
        start = scene.orders.start(order)
        return _order_number(order, fact, None if start is None else _ago(start, scene), "min", "start not recorded")
    dose = reading.substance(substance)
    if dose is None:
        return Missing((Gap(substance, GapState.NOT_SENT, f"{order.label}: no {substance} in it"),))
    why_not = dose.why_not or f"{fact.replace('_', ' ')} not stated"
    match fact:
        case "per_hour":
            return _order_number(order, fact, dose.per_hour, f"{dose.unit}/h", why_not, total=True)
        case "amount":
            return _order_number(order, fact, dose.amount, dose.unit, why_not, total=True)
        case "concentration":
            return _order_number(order, fact, dose.concentration, f"{dose.unit}/L", why_not)
        case "mg_per_ml":
            return _order_number(order, fact, dose.mg_per_ml, "mg/mL", why_not)
        case "per_day":
            daily = None if dose.amount is None or reading.per_day is None else dose.amount.scale(reading.per_day)
            return _order_number(order, fact, daily, dose.unit, why_not, total=True)
        case _:
            raise KnowledgeError(f"an order has no number '{fact}'")


def _course_days(order: Order) -> Interval | None:
    """The length of the course as the order bounds it; None where a dosage has no bounds."""
    spans = [(dosage.start, dosage.end) for dosage in order.dosages]
    if not spans or any(start is None or end is None for start, end in spans):
        return None
    first = min((start for start, _ in spans if start is not None), key=lambda at: at.latest)
    last = max((end for _, end in spans if end is not None), key=lambda at: at.latest)
    low = Decimal(max(0, (last.earliest if last.earliest is not None else last.latest) - first.latest)) / DAY
    high = None if first.earliest is None else Decimal(max(0, last.latest - first.earliest)) / DAY
    return Interval(low, high)


def _order_number(order: Order, fact: str, value: Interval | None, unit: str, why_not: str, *, total: bool = False) -> Number | Missing:
    """A number of one order. What it gives is a range as a sum is (`total`): "too much" looks at its upper end, as where rate and duration disagree (F-1)."""
    if value is None:
        return Missing((Gap(f"{fact.replace('_', ' ')} of {order.label}", GapState.NOT_SENT, f"{order.label}: {why_not}"),))
    held = value
    return Number((Candidate(held, None, unit, lambda: Seen("order", order.label, f"{spread(held, 2)} {unit}", order.ref, held, unit, path=order.path)),), unit, total)


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
    value = _ago(moment, scene)
    seen = Seen("event", event, f"{spread(value, 0)} min", value=value, unit="min", at=moment, age_minutes=int(value.low or 0))
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
