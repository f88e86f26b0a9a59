"""What runs now: insulin, potassium, glucose, fluid, anti-seizure medicines and antibacterials, from the orders and the administration record."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from cds.chart import MINUTE, Dosage, Moment, Order
from cds.logic.criteria import Expression, Given, OrderFilter, Total
from cds.logic.matching import matching
from cds.logic.reason import Seen
from cds.logic.scene import Number, Scene
from cds.logic.truth import TRUE
from cds.logic.working import work_out
from cds.numbers import ZERO, Interval, spread
from cds.overviews.views import Line, ago, clock_time, minutes_to, spell
from cds.parameters import Parameter

_MINUTES_A_DAY = 24 * 60
_ML_PER_LITRE = 1000


def running(scene: Scene, *, crisis: bool) -> list[Line]:
    """One line for each thing that runs. In a crisis what does not run is said too; a list that was not sent whole is named first."""
    lines: list[Line] = []
    if not scene.whole("medications"):
        lines.append(Line(f"Not all is known of what runs: {scene.gap('medications').detail}"))
    lines += _rate(scene, "Insulin by vein", Total("insulin", "running"), Total("insulin", "running", per_kg=True), always=crisis)
    for label, where in (("Potassium by a central line", "central"), ("Potassium by a peripheral or unnamed line", "not central")):
        lines += _rate(scene, label, Total("potassium", "running", where), None, always=False)
    if crisis and _nothing(scene.number(Total("potassium", "running"))):
        lines.append(Line("Potassium by vein: none on record"))
    lines += _rate(scene, "Glucose by vein", Total("glucose", "running"), None, always=False)
    lines += _fluid(scene, always=crisis)
    lines += [_medicine(scene, order) for order in _orders(scene, "anti_seizure")]
    lines += [_antibacterial(scene, order) for order in _orders(scene, "antibacterial")]
    return lines


def _orders(scene: Scene, drug_class: str) -> list[Order]:
    return [order for order, truth in matching(OrderFilter((drug_class,), "running"), scene) if truth is TRUE]


def _nothing(number: object) -> bool:
    return isinstance(number, Number) and number.candidates[0].value == Interval(ZERO, ZERO)


def _rate(scene: Scene, label: str, total: Expression, per_kg: Expression | None, *, always: bool) -> list[Line]:
    found = scene.number(total)
    if not isinstance(found, Number):
        return [Line(f"{label}: {found.gaps[0].detail}")] if always else []
    if _nothing(found):
        return [Line(f"{label}: none on record")] if always else []
    if found.candidates[0].value.low == ZERO and found.candidates[0].value.high is None and not found.seen[0].parts and not always:
        # Nothing that is seen runs; that the list was not whole is said once.
        return []
    by_weight = None if per_kg is None else scene.number(per_kg)
    tail = ""
    if isinstance(by_weight, Number):
        tail = f" ({spread(by_weight.candidates[0].value, 3)} {by_weight.unit})"
    elif by_weight is not None:
        tail = " (weight not known)"
    return [Line(f"{label}: {found.seen[0].text}{tail}", found.seen)]


def _fluid(scene: Scene, *, always: bool) -> list[Line]:
    lines = _rate(scene, "Crystalloid", Total("crystalloid", "running"), None, always=always)
    start, window = scene.event("crisis start"), scene.p["crisis_look_back"]
    if start is None or not isinstance(window, Parameter):
        return lines
    minutes = Decimal(max(1, (scene.now - start.latest) // MINUTE))
    given = work_out(scene, Given("crystalloid", replace(window, value=minutes)), None)
    if isinstance(given, Number) and not _nothing(given):
        litres = spread(given.candidates[0].value.scale(Decimal(1) / _ML_PER_LITRE), 1)
        lines.append(Line(f"Crystalloid since the crisis began ({spell(int(minutes))}): {litres} L by what orders and administrations say", given.seen))
    return lines


def _given(scene: Scene, order: Order) -> list[Moment]:
    """When doses of an order were given, by the administration record."""
    return [each.start for each in scene.orders.events_of(order) if each.start is not None and each.status in ("completed", "in-progress") and each.start.latest <= scene.now]


def _seen(order: Order, at: Moment | None) -> Seen:
    return Seen("order", order.drugs[0] if order.drugs else "order", order.label, order.ref, at=at, path=order.path)


def _medicine(scene: Scene, order: Order) -> Line:
    """An anti-seizure medicine with its next dose: the last dose given and the interval ordered."""
    last = max(_given(scene, order), key=lambda at: at.latest, default=None)
    per_day = next((dosage.per_day for dosage in order.dosages if _repeats(dosage)), None)
    if per_day is None:
        said = f"last dose {ago(last, scene.now)}" if last is not None else "ordered once, not seen as given"
    elif last is None:
        said = "next dose not known: no dose on the administration record"
    else:
        due = last.latest + int(Decimal(_MINUTES_A_DAY) / per_day) * MINUTE
        left = minutes_to(due, scene.now)
        said = f"next dose in {spell(left)}, at {clock_time(due, scene.now)}" if left >= 0 else f"next dose overdue by {spell(-left)}"
    return Line(f"{order.label}: {said}", (_seen(order, last),))


def _repeats(dosage: Dosage) -> bool:
    return dosage.per_day is not None and dosage.per_day > ZERO


def _antibacterial(scene: Scene, order: Order) -> Line:
    first = min(_given(scene, order), key=lambda at: at.latest, default=None) or scene.orders.start(order)
    said = f"first dose {ago(first, scene.now)}" if first is not None and first.latest <= scene.now else "first dose not recorded as given"
    return Line(f"{order.label}: {said}", (_seen(order, first),))
