"""Flips of orders and of times: at which rate of the order in hand, or of all orders together, or how long since an event, an advisory would change (F-31)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import ROUND_DOWN, ROUND_UP, Decimal

from cds.chart import Measure, Order
from cds.logic.compare import Candidate, Missing, Number, figure_in
from cds.logic.criteria import AtLeastValue, AtMostValue, Below, Expression, OfOrder, RatePerWeight, Since, Total
from cds.logic.edges import UNITS_TOLD, Comparison, Flip, Judge, comparisons_of, decimals_of, head, side
from cds.logic.reason import Reason, Seen
from cds.logic.scene import Scene
from cds.numbers import ZERO, Interval, point, shown
from cds.parameters import Parameter


def flip_of_order_or_time(code: str, leaf: Reason, indicator: str, scene: Scene, order: Order | None, judge: Judge) -> Flip | None:
    for comparison in comparisons_of(leaf):
        item, limit = comparison.item, comparison.limit
        if not isinstance(limit, Parameter) or not isinstance(limit.value, Decimal):
            continue
        if isinstance(item, Since):
            return _of_time(code, item, comparison, limit, indicator, scene, order, judge)
        if isinstance(item, (Total, RatePerWeight)) or (isinstance(item, OfOrder) and item.fact == "per_hour"):
            return _of_rate(code, item, comparison, limit, indicator, scene, order, leaf, judge)
    return None


def _of_rate(
    code: str, item: Total | RatePerWeight | OfOrder, comparison: Comparison, limit: Parameter, indicator: str, scene: Scene, order: Order | None,
    leaf: Reason, judge: Judge,
) -> Flip | None:  # fmt: skip
    """The rate of the order in hand (or of the one drafted bag of a sum) at which the number would stand at its limit; judged with that rate."""
    target = order if order is not None else _drafted(leaf, scene)
    number = scene.number(item, order)
    if target is None or isinstance(number, Missing) or len(target.dosages) != 1 or target.dosages[0].rate is None:
        return None
    rate, now = target.dosages[0].rate, number.candidates[0].value.high
    own = _own(item, target, scene)
    if now is None or not now or rate.value.exact is None or rate.unit is None or own is None or not own:
        return None
    figure = figure_in(limit, number.unit)
    needed = own - (now - figure)
    if needed <= ZERO:
        return _of_sum(code, item, figure, now, number.unit, indicator, scene, order, judge) if isinstance(item, Total) else None
    falling = figure < now
    step = Decimal(1).scaleb(-max(decimals_of(rate.value.exact), 0))
    value = (rate.value.exact * needed / own).quantize(step, rounding=ROUND_DOWN if falling else ROUND_UP)
    if (falling and isinstance(comparison, (AtLeastValue, Below)) and value * own == rate.value.exact * needed) or value == rate.value.exact:
        value += -step if falling else step
    if value <= ZERO:
        return None
    unit = UNITS_TOLD.get(rate.unit, rate.unit)
    per = target.dosages[0].rate_per
    text = f"{shown(value)} {unit}" + (f" over {per.text}" if per is not None else "")
    changed = replace(target, dosages=(replace(target.dosages[0], rate=Measure(point(value), rate.unit, text)),))
    orders = tuple(changed if each is target else each for each in scene.chart.orders)
    then = Scene(replace(scene.chart, orders=orders), scene.p, scene.state_defs, scene.judge, like=scene)
    then.read_as_in(scene)
    becomes = judge(then, changed if order is not None else None)
    if becomes == indicator:
        return None
    direction = "or less" if falling else "or more"
    label = f"this order's rate of {text}"
    unit_of_sum = UNITS_TOLD.get(number.unit, number.unit)
    where = f"{label} {direction} (that makes {shown(figure)} {unit_of_sum})" if isinstance(item, Total) else f"{label} {direction}"
    return Flip(code, "rate of this order", rate.value.exact, value, unit, direction, None, becomes, head(where, becomes))


def _of_sum(
    code: str, item: Total, figure: Decimal, now: Decimal, unit: str, indicator: str, scene: Scene, order: Order | None, judge: Judge
) -> Flip | None:
    """Where no one order alone would change it: the sum at which it would."""
    seen = Seen("total", item.substance, f"{shown(figure)} {unit}", value=point(figure), unit=unit)
    taken: dict[tuple[Expression, Order | None], Number] = {}
    for each in {item, replace(item, lines="any"), replace(item, lines="not central")}:
        number = scene.number(each)
        if not isinstance(number, Missing) and number.candidates[0].value.high is not None and number.candidates[0].value.high >= figure:
            taken[(each, None)] = Number((Candidate(point(figure), None, unit, seen),), unit, total=True)
    becomes = judge(scene.with_numbers(taken), order)
    if becomes == indicator:
        return None
    told = UNITS_TOLD.get(unit, unit)
    told_as = head(f"{item.substance} {shown(figure)} {told} or less over all orders", becomes)
    return Flip(code, f"{item.substance} per hour", now, figure, told, "or less", None, becomes, f"{told_as}; stopping or slowing this one order is not enough")


def _drafted(leaf: Reason, scene: Scene) -> Order | None:
    """The one drafted order of a sum."""
    refs = {part.ref for seen in leaf.seen for part in seen.parts}
    found = [order for order in scene.orders.drafts if order.ref in refs]
    return found[0] if len(found) == 1 else None


def _own(item: Total | RatePerWeight | OfOrder, order: Order, scene: Scene) -> Decimal | None:
    """What the order itself gives of the number."""
    if not isinstance(item, Total):
        number = scene.number(item, order)
        return None if isinstance(number, Missing) else number.candidates[0].value.exact
    dose = scene.reading(order).substance(item.substance)
    own = None if dose is None or dose.per_hour is None else dose.per_hour.exact
    if own is None or not item.per_kg:
        return own
    kg = scene.weight_kg()
    return None if kg is None or not kg.exact else own / kg.exact


def _of_time(
    code: str, item: Since, comparison: Comparison, limit: Parameter, indicator: str, scene: Scene, order: Order | None, judge: Judge
) -> Flip | None:
    number = scene.number(item)
    if isinstance(number, Missing) or number.candidates[0].value.exact is None:
        return None
    now, figure = number.candidates[0].value.exact, figure_in(limit, "min")
    rising = figure > now or (figure == now and isinstance(comparison, AtMostValue))
    at_figure = isinstance(comparison, (Below, AtLeastValue)) == rising
    at = figure if at_figure else figure + (1 if rising else -1)
    seen = Seen("event", item.event, f"{shown(at)} min", value=point(at), unit="min")
    moved: Mapping[tuple[Expression, Order | None], Number] = {(item, None): Number((Candidate(Interval(at, at), None, "min", seen),), "min")}
    becomes = judge(scene.with_numbers(moved), order)
    if becomes == indicator:
        return None
    direction = ("or more" if rising else "or less") if at_figure else ("more than" if rising else "less than")
    return Flip(code, item.event, now, figure, "min", direction, None, becomes, head(side(f"a time since {item.event} of", figure, "min", direction), becomes))
