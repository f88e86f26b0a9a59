"""Arithmetic over expressions: intervals to the end, a gap in a part is a gap in the whole, and the evidence of every part is kept."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING

from cds import units
from cds.chart import Order
from cds.logic.compare import Candidate, Missing, Number
from cds.logic.expressions import Expression, Figure, Greater, Lesser, Minus, Plus, Ratio, Scaled
from cds.logic.reason import Gap, GapState, Seen
from cds.numbers import ZERO, Interval, point, spread
from cds.parameters import Absent

if TYPE_CHECKING:
    from cds.logic.scene import Scene

PLACES = 3


def calculate(scene: Scene, expression: Figure | Plus | Minus | Ratio | Scaled | Lesser | Greater, order: Order | None) -> Number | Missing:
    """The value of an arithmetic expression, or the gaps of its parts."""
    match expression:
        case Figure(limit):
            if isinstance(limit, Absent):
                return _no_figure(limit.means)
            value = point(limit.number)
            return _made(value, limit.unit, "figure", limit.means, ())
        case Plus(parts):
            return _over(scene, parts, order, "sum", lambda values: _sum(values))
        case Minus(of, less):
            return _over(scene, (of, less), order, "difference", lambda values: values[0] - values[1])
        case Ratio(of, to):
            return _ratio(scene, of, to, order)
        case Scaled(of, by, unit):
            if isinstance(by, Absent):
                return _no_figure(by.means)
            number = scene.number(of, order)
            if isinstance(number, Missing):
                return number
            factor = by.number
            return _made(_value(number).scale(factor), unit or number.unit, "product", "product", number.seen, number.total)
        case Lesser(parts):
            return _extreme(scene, parts, order, low=True)
        case Greater(parts):
            return _extreme(scene, parts, order, low=False)


def _over(scene: Scene, parts: tuple[Expression, ...], order: Order | None, name: str, work: Callable[[list[Interval]], Interval]) -> Number | Missing:
    numbers = [scene.number(part, order) for part in parts]
    gaps = tuple(gap for number in numbers if isinstance(number, Missing) for gap in number.gaps)
    seen = tuple(seen for number in numbers for seen in number.seen)
    if gaps:
        return Missing(gaps, seen)
    known = [number for number in numbers if isinstance(number, Number)]
    unit = known[0].unit
    values = [_in(number, unit) for number in known]
    return _made(work(values), unit, "sum", name, seen, any(number.total for number in known))


def _ratio(scene: Scene, of: Expression, to: Expression, order: Order | None) -> Number | Missing:
    top, bottom = scene.number(of, order), scene.number(to, order)
    seen = (*top.seen, *bottom.seen)
    if isinstance(top, Missing):
        return Missing(top.gaps if isinstance(bottom, Number) else (*top.gaps, *bottom.gaps), seen)
    if isinstance(bottom, Missing):
        return Missing(bottom.gaps, seen)
    try:
        divisor, unit = _in(bottom, top.unit), "1"
    except units.UnitError:
        divisor, unit = _value(bottom), _quotient(top.unit, bottom.unit)
    if divisor.high == ZERO or (divisor.low is not None and divisor.low < ZERO) or _value(top).low is None:
        return Missing((Gap("ratio", GapState.UNUSABLE, "a number that should not be zero is"),), seen)
    return _made(_value(top).over(divisor), unit, "ratio", "ratio", seen, top.total)


def _extreme(scene: Scene, parts: tuple[Expression, ...], order: Order | None, *, low: bool) -> Number | Missing:
    numbers = [scene.number(part, order) for part in parts]
    known = [number for number in numbers if isinstance(number, Number)]
    if not known:
        return Missing(tuple(gap for number in numbers if isinstance(number, Missing) for gap in number.gaps), tuple(s for number in numbers for s in number.seen))
    unit = known[0].unit
    values = [_in(number, unit) for number in known]
    lows, highs = [v.low for v in values], [v.high for v in values]
    seen = tuple(seen for number in known for seen in number.seen)
    known_lows, known_highs = [v for v in lows if v is not None], [v for v in highs if v is not None]
    if low:
        value = Interval(None if None in lows else min(known_lows), min(known_highs) if known_highs else None)
    else:
        value = Interval(max(known_lows) if known_lows else None, None if None in highs else max(known_highs))
    return _made(value, unit, "figure", "lesser" if low else "greater", seen, any(number.total for number in known))


def _value(number: Number) -> Interval:
    """One interval that holds every candidate."""
    value = number.candidates[0].value
    for candidate in number.candidates[1:]:
        value = value.hull(candidate.value)
    return value


def _in(number: Number, unit: str) -> Interval:
    """The number in a unit. UnitError when the two are of different kinds."""
    value = _value(number)
    if number.unit == unit:
        return value
    factor = units.convert(Decimal(1), number.unit, unit)
    return value.scale(factor)


def _sum(values: list[Interval]) -> Interval:
    total = values[0]
    for value in values[1:]:
        total = total + value
    return total


def _quotient(top: str, bottom: str) -> str:
    return f"{top}/{bottom}"


def _made(value: Interval, unit: str, kind: str, item: str, parts: tuple[Seen, ...], total: bool = False) -> Number:
    told = unit if unit != "1" else ""

    def seen() -> Seen:
        return Seen(kind, item, f"{spread(value, PLACES)} {told}".strip(), value=value, unit=unit, parts=parts)

    return Number((Candidate(value, None, unit, seen),), unit, total)


def _no_figure(item: str) -> Missing:
    return Missing((Gap(item, GapState.OUT_OF_SCOPE, f"{item}: no figure for this age"),))


