"""The nearest flip: which one number, at which value, would change a fired advisory, and whether that lies within the assay's allowable error.

One numeric leaf at a time, the rest as it is, within the plausible range, against the indicator that this code fired with, before precedence (F-31). Every offered
value is judged again, so that one which only moves the advisory into another branch of the same indicator is never called a flip. Results come first, nearest
in units of their allowable error; where no result would change it, the rate of an order or a time since.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, ROUND_UP, Decimal
from typing import Any

from cds import formulas, units
from cds.chart import Measure, Order, Problem, Result, Results
from cds.logic.compare import Candidate, Missing, Number, figure_in
from cds.logic.criteria import Above, AtLeastValue, AtMostValue, Below, Between, Expression, Formula, Latest, OfOrder, RatePerWeight, Since, Total
from cds.logic.reason import Reason, Seen
from cds.logic.scene import Scene
from cds.logic.truth import UNKNOWN
from cds.numbers import ZERO, Interval, point, shown
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES, allowable_error

Judge = Callable[[Scene, Order | None], str]
Comparison = Below | AtMostValue | Above | AtLeastValue
_COMPARISONS = (Below, AtMostValue, Above, AtLeastValue)
_UNIT = {"mm[Hg]": "mmHg", "umol/L": "micromol/L", "1": "", "[iU]/h": "unit/h", "[iU]/kg/h": "unit/kg/h", "mosm/kg": "mOsm/kg", "meq/L": "mEq/L"}
MOST_JUDGED = 16
FEW = 2


@dataclass(frozen=True, slots=True)
class Edge:
    """A figure at which some comparison of an analyte changes: at the figure itself when rising (`at_rising`), or only above it."""

    limit: Parameter
    at_rising: bool


@dataclass(frozen=True, slots=True)
class Flip:
    """The nearest change of one number that would change the advisory. `error` is the allowable error of the measurement, None where there is none.

    `now`, `at` and `error` are in `unit`; `becomes` is the indicator that the advisory would have, "" when it would not appear.
    """

    code: str
    item: str
    now: Decimal
    at: Decimal
    unit: str
    direction: str
    error: Decimal | None
    becomes: str
    text: str

    @property
    def within_error(self) -> bool:
        """Whether the measurement alone could have made the difference."""
        return self.error is not None and abs(self.at - self.now) <= self.error

    def as_data(self) -> dict[str, Any]:
        """For the machine-readable part of a card."""
        made: dict[str, Any] = {"code": self.code, "item": self.item, "from": shown(self.now), "to": shown(self.at), "direction": self.direction}
        if self.unit:
            made["unit"] = self.unit
        if self.error is not None:
            made["allowable-error"] = shown(self.error, 3)
            made["within-error"] = self.within_error
        if self.becomes:
            made["becomes"] = self.becomes
        made["text"] = self.text
        return made


class Changed:
    """Results in which some results of one analyte have another value."""

    __slots__ = ("_analyte", "_by_ref", "_inner", "_since")

    def __init__(self, inner: Results, analyte: str, changed: Sequence[Result]) -> None:
        self._inner, self._analyte, self._by_ref = inner, analyte, {(r.ref, r.path): r for r in changed}
        self._since: dict[int, tuple[Result, ...]] = {}

    def of(self, analyte: str) -> tuple[Result, ...]:
        """The results of an analyte, the changed ones in their places."""
        found = self._inner.of(analyte)
        if analyte != self._analyte:
            return found
        return tuple(self._by_ref.get((r.ref, r.path), r) for r in found)

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """The newest results of an analyte, the changed ones in their places."""
        if analyte != self._analyte:
            return self._inner.since(analyte, floor)
        known = self._since.get(floor)
        if known is None:
            known = self._since[floor] = tuple(self._by_ref.get((r.ref, r.path), r) for r in self._inner.since(analyte, floor))
        return known

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems(analyte)

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems_since(analyte, floor)

    def analytes(self) -> frozenset[str]:
        """As in the chart."""
        return self._inner.analytes()


@dataclass(frozen=True, slots=True)
class _Point:
    """One value of an analyte that may flip: `reported` in `unit`, `figure` is what the text names, `direction` on which side of it."""

    analyte: str
    results: tuple[Result, ...]
    now: Decimal
    reported: Decimal
    figure: Decimal
    direction: str
    unit: str
    factor: Decimal
    error: Decimal | None

    @property
    def distance(self) -> tuple[int, Decimal]:
        """In allowable errors where there is one, else relative to what it is now."""
        size = abs(self.reported - self.now)
        if self.error:
            return 0, size / self.error
        return 1, size / abs(self.now) if self.now else size


def nearest_flip(
    code: str, leaves: Sequence[Reason], indicator: str, scene: Scene, order: Order | None, judge: Judge,
    edges: Mapping[str, Sequence[Edge]] | None = None, among: Callable[[], frozenset[str] | None] = lambda: None,
) -> Flip | None:  # fmt: skip
    """The nearest flip of a fired advisory, or None when no single number that was tried would change it.

    `leaves` decided it. `judge` gives the indicator with which the code fires on a scene for an order, "" when it does not. `edges` are the figures with which
    the whole advisory compares each analyte; without them only those of the leaves are tried. `among` tells the analytes that could change it at all, where
    that is known (`cds.logic.depends`); it is asked only where there is much to try.
    """
    formulas_too = any(isinstance(c.item, Formula) for leaf in leaves for c in comparisons_of(leaf))
    points = list(_points(leaves, scene, edges or {}, among() if formulas_too else None))
    if len(points) > FEW and not formulas_too:
        only = among()
        points = [each for each in points if only is None or each.analyte in only]
    points.sort(key=lambda p: (p.distance, p.analyte, p.reported))
    for tried, each in enumerate(points):
        if tried == MOST_JUDGED:
            return None
        becomes = judge(_with_value(each, scene), order)
        if becomes != indicator:
            return _flip_of_result(code, each, becomes)
    found = [flip for leaf in leaves if (flip := _of_order_or_time(code, leaf, indicator, scene, order, judge)) is not None]
    return min(found, key=lambda f: abs(f.at - f.now) / abs(f.now) if f.now else abs(f.at), default=None)


# Results -----------------------------------------------------------------------------------------------------------------------------


def _points(leaves: Sequence[Reason], scene: Scene, edges: Mapping[str, Sequence[Edge]], among: frozenset[str] | None) -> Iterator[_Point]:
    done: set[str] = set()
    for leaf in leaves:
        for comparison in comparisons_of(leaf):
            item = comparison.item
            if isinstance(item, Latest):
                if item.analyte in done or (among is not None and item.analyte not in among):
                    continue
                done.add(item.analyte)
                own = [Edge(c.limit, isinstance(c, (Below, AtLeastValue))) for c in comparisons_of(leaf) if isinstance(c.limit, Parameter)]
                yield from _of_latest(item, leaf, scene, (*own, *(e for e in edges.get(item.analyte, ()) if e not in own)))
            elif isinstance(item, Formula) and isinstance(comparison.limit, Parameter):
                yield from _of_formula(item, comparison, scene, among)


def comparisons_of(leaf: Reason) -> tuple[Comparison, ...]:
    """The comparisons of a decided leaf; a band counts as two."""
    node = leaf.node
    if leaf.truth is UNKNOWN:
        return ()
    if isinstance(node, Between):
        return (AtLeastValue(node.item, node.low), Below(node.item, node.high))
    return (node,) if isinstance(node, _COMPARISONS) else ()


def _of_latest(item: Latest, leaf: Reason, scene: Scene, edges: Sequence[Edge]) -> Iterator[_Point]:
    refs = [(s.ref, s.path) for s in leaf.seen]
    oldest = min((s.at.latest for s in leaf.seen if s.at is not None), default=0)
    results = tuple(r for r in scene.recent(item.analyte, oldest) if (r.ref, r.path) in refs)
    if not results or any(r.value.exact is None or r.reported.exact is None for r in results) or len({r.unit for r in results}) > 1:
        return
    for edge in edges:
        figure = edge.limit.in_unit(results[0].unit)
        for each in _either_side(item.analyte, results, edge, figure):
            low, high = ANALYTES[item.analyte].plausible_low, ANALYTES[item.analyte].plausible_high
            if low <= each.reported * each.factor <= high:
                yield each


def _either_side(analyte: str, results: tuple[Result, ...], edge: Edge, figure: Decimal | None) -> Iterator[_Point]:
    """The first value on the other side of a figure, in the unit that was reported where the source prints a figure for it."""
    known, newest = ANALYTES[analyte], results[0]
    factor = units.analyte_factor(analyte, newest.unit, newest.code or None) if figure is not None else None
    values: tuple[Decimal | None, ...]
    if figure is not None and factor is not None:
        unit, values = newest.unit, tuple(r.reported.exact for r in results)
    else:
        figure, factor, unit, values = figure_in(edge.limit, known.unit), Decimal(1), known.unit, tuple(r.value.exact for r in results)
    exact = [value for value in values if value is not None]
    now = exact[0]
    step = Decimal(1).scaleb(-max(_decimals(figure), *(_decimals(v) for v in exact), known.decimals if unit == known.unit else 0))
    error = allowable_error(analyte, now * factor, newest.method)
    common = (unit, factor, None if error is None else error / factor)
    if min(exact) < figure or (min(exact) == figure and not edge.at_rising):
        at, direction = (figure, "or more") if edge.at_rising else (figure + step, "more than")
        yield _Point(analyte, results, now, at, figure, direction, *common)
    if max(exact) > figure or (max(exact) == figure and edge.at_rising):
        at, direction = (figure - step, "less than") if edge.at_rising else (figure, "or less")
        yield _Point(analyte, results, now, at, figure, direction, *common)


def _decimals(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _of_formula(item: Formula, comparison: Comparison, scene: Scene, among: frozenset[str] | None) -> Iterator[_Point]:
    """For each input of a formula the first value, on the grid on which it is shown, at which the comparison changes. The formulas are monotone in each input."""
    if not isinstance(comparison.limit, Parameter):
        return
    limit = figure_in(comparison.limit, formulas.FORMULAS[item.name].unit)
    before = _holds(comparison, scene.number(item), limit)
    for analyte in (*formulas.FORMULAS[item.name].inputs, *formulas.FORMULAS[item.name].optional):
        result = _input_of(item, analyte, scene) if analyte in ANALYTES and (among is None or analyte in among) else None
        if result is None or result.value.exact is None:
            continue
        known, factor = ANALYTES[analyte], units.analyte_factor(analyte, result.unit, result.code or None)
        now = result.reported.exact
        if now is None or factor is None:
            continue
        step = Decimal(1).scaleb(-max(_decimals(now), known.decimals if result.unit == known.unit else 0))
        error = allowable_error(analyte, result.value.exact, result.method)
        for bound, sign in ((known.plausible_high / factor, 1), (known.plausible_low / factor, -1)):
            near, far = 0, int(abs(bound - now) / step)
            if far < 1 or _formula_holds(item, comparison, limit, scene, result, (now + sign * far * step, factor)) == before:
                continue
            while far - near > 1:
                middle = (near + far) // 2
                if _formula_holds(item, comparison, limit, scene, result, (now + sign * middle * step, factor)) == before:
                    near = middle
                else:
                    far = middle
            at = now + sign * far * step
            yield _Point(analyte, (result,), now, at, at, "or more" if sign > 0 else "or less", result.unit, factor, None if error is None else error / factor)


def _input_of(item: Formula, analyte: str, scene: Scene) -> Result | None:
    number = scene.number(item)
    if isinstance(number, Missing):
        return None
    ref = next(((s.ref, s.path) for s in number.seen[0].parts if s.item == analyte), None)
    return next((r for r in scene.results(analyte) if (r.ref, r.path) == ref), None)


def _formula_holds(
    item: Formula, comparison: Comparison, limit: Decimal, scene: Scene, result: Result, value: tuple[Decimal, Decimal]
) -> bool | None:
    reported, factor = value
    changed = _revalued(result, reported * factor, result.unit, reported)
    then = scene.with_results(Changed(scene.chart.results, result.analyte, (changed,)), result.analyte)
    return _holds(comparison, then.number(item), limit)


def _holds(comparison: Comparison, number: Number | Missing, limit: Decimal) -> bool | None:
    if isinstance(number, Missing):
        return None
    value = number.candidates[0].value
    below, above = value.below(limit), value.above(limit)
    match comparison:
        case Below():
            return below
        case Above():
            return above
        case AtMostValue():
            return None if above is None else not above
        case AtLeastValue():
            return None if below is None else not below


def _with_value(each: _Point, scene: Scene) -> Scene:
    factor = each.factor
    changed = [_revalued(result, each.reported * factor, each.unit, each.reported) for result in each.results]
    return scene.with_results(Changed(scene.chart.results, each.analyte, changed), each.analyte)


def _revalued(result: Result, value: Decimal, unit: str, reported: Decimal | None) -> Result:
    """The result with another value, told in `unit`; without `reported` in the unit in which it is kept."""
    kept = ANALYTES[result.analyte].unit
    told, code = (value, kept) if reported is None else (reported, unit)
    return Result(
        result.ref, result.analyte, point(value), point(told), code, f"{shown(told)} {code}", result.at, result.method, result.specimen, result.code,
        result.preliminary, result.haemolysed, result.label, result.path,
    )  # fmt: skip


def _flip_of_result(code: str, each: _Point, becomes: str) -> Flip:
    label, unit = ANALYTES[each.analyte].label, _UNIT.get(each.unit, each.unit)
    head = _head(_side(label, each.figure, unit, each.direction), becomes)
    flip = Flip(code, label, each.now, each.figure, unit, each.direction, each.error, becomes, head)
    if each.error is None:
        return flip
    sent, error = each.results[0].text, f"{shown(each.error, _decimals(each.now) + 1)} {unit}".strip()
    if flip.within_error:
        return replace(flip, text=f"{head}; {sent} lies within the assay's allowable error of {error}: repeat it if that would change what you do")
    return replace(flip, text=f"{head}; {sent} is further from it than the assay's allowable error of {error}")


def _side(label: str, figure: Decimal, unit: str, direction: str) -> str:
    number = f"{shown(figure)} {unit}".strip()
    return f"{label} {number} {direction}" if direction.startswith("or ") else f"{label} {direction} {number}"


def _head(side: str, becomes: str) -> str:
    return f"Would be {becomes} at {side}" if becomes else f"Would not appear at {side}"


# Orders and times --------------------------------------------------------------------------------------------------------------------


def _of_order_or_time(code: str, leaf: Reason, indicator: str, scene: Scene, order: Order | None, judge: Judge) -> Flip | None:
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
    step = Decimal(1).scaleb(-max(_decimals(rate.value.exact), 0))
    value = (rate.value.exact * needed / own).quantize(step, rounding=ROUND_DOWN if falling else ROUND_UP)
    if (falling and isinstance(comparison, (AtLeastValue, Below)) and value * own == rate.value.exact * needed) or value == rate.value.exact:
        value += -step if falling else step
    if value <= ZERO:
        return None
    unit = _UNIT.get(rate.unit, rate.unit)
    per = target.dosages[0].rate_per
    text = f"{shown(value)} {unit}" + (f" over {per.text}" if per is not None else "")
    changed = replace(target, dosages=(replace(target.dosages[0], rate=Measure(point(value), rate.unit, text)),))
    orders = tuple(changed if each is target else each for each in scene.chart.orders)
    then = Scene(replace(scene.chart, orders=orders), scene.p, scene.state_defs, scene.judge)
    becomes = judge(then, changed if order is not None else None)
    if becomes == indicator:
        return None
    direction = "or less" if falling else "or more"
    label = f"this order's rate of {text}"
    unit_of_sum = _UNIT.get(number.unit, number.unit)
    side = f"{label} {direction} (that makes {shown(figure)} {unit_of_sum})" if isinstance(item, Total) else f"{label} {direction}"
    return Flip(code, "rate of this order", rate.value.exact, value, unit, direction, None, becomes, _head(side, becomes))


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
    told = _UNIT.get(unit, unit)
    head = _head(f"{item.substance} {shown(figure)} {told} or less over all orders", becomes)
    return Flip(code, f"{item.substance} per hour", now, figure, told, "or less", None, becomes, f"{head}; stopping or slowing this one order is not enough")


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
    return Flip(code, item.event, now, figure, "min", direction, None, becomes, _head(_side(f"a time since {item.event} of", figure, "min", direction), becomes))


def edges_of(nodes: Iterable[object]) -> dict[str, tuple[Edge, ...]]:
    """The figures with which comparisons among some nodes look at each analyte."""
    found: dict[str, dict[tuple[str, bool], Edge]] = {}
    for node in nodes:
        for one in (AtLeastValue(node.item, node.low), Below(node.item, node.high)) if isinstance(node, Between) else (node,):
            if isinstance(one, _COMPARISONS) and isinstance(one.item, Latest) and isinstance(one.limit, Parameter) and isinstance(one.limit.value, Decimal):
                edge = Edge(one.limit, isinstance(one, (Below, AtLeastValue)))
                found.setdefault(one.item.analyte, {}).setdefault((f"{one.limit.key} {one.limit.value}", edge.at_rising), edge)
    return {analyte: tuple(edges.values()) for analyte, edges in found.items()}


__all__ = ["MOST_JUDGED", "Changed", "Edge", "Flip", "Judge", "comparisons_of", "edges_of", "nearest_flip"]
