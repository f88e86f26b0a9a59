"""The nearest flip: which one number, at which value, would change a fired advisory, and whether that lies within the assay's allowable error.

One numeric leaf at a time, the rest as it is, within the plausible range, against the indicator that this code fired with, before precedence (F-31). Every offered
value is judged again, so that one which only moves the advisory into another branch of the same indicator is never called a flip. Results come first, nearest
in units of their allowable error; where no result would change it, the rate of an order or a time since.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from cds import formulas, units
from cds.chart import Order, Problem, Result, Results
from cds.logic.compare import Missing, Number, figure_in
from cds.logic.criteria import Above, AtLeastValue, AtMostValue, Below, Formula, Latest, Slope
from cds.logic.edges import UNITS_TOLD, Comparison, Edge, Flip, Judge, comparisons_of, decimals_of, edges_of, head, side
from cds.logic.flip_orders import flip_of_order_or_time
from cds.logic.reason import Reason
from cds.logic.scene import Scene
from cds.numbers import point, shown
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES, allowable_error

MOST_JUDGED = 16
FEW = 2


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

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest between two instants: a change of its value is none of its time."""
        found = self._inner.current(analyte, floor, now)
        return found if found is None or analyte != self._analyte else self._by_ref.get((found.ref, found.path), found)

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
    found = [flip for leaf in leaves if (flip := flip_of_order_or_time(code, leaf, indicator, scene, order, judge)) is not None]
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
            elif isinstance(item, Slope) and isinstance(comparison.limit, Parameter) and item.of in ANALYTES and (among is None or item.of in among):
                yield from _of_slope(item, comparison, comparison.limit, scene)


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
    step = Decimal(1).scaleb(-max(decimals_of(figure), *(decimals_of(v) for v in exact), known.decimals if unit == known.unit else 0))
    error = allowable_error(analyte, now * factor, newest.method)
    common = (unit, factor, None if error is None else error / factor)
    if min(exact) < figure or (min(exact) == figure and not edge.at_rising):
        at, direction = (figure, "or more") if edge.at_rising else (figure + step, "more than")
        yield _Point(analyte, results, now, at, figure, direction, *common)
    if max(exact) > figure or (max(exact) == figure and edge.at_rising):
        at, direction = (figure - step, "less than") if edge.at_rising else (figure, "or less")
        yield _Point(analyte, results, now, at, figure, direction, *common)


def _of_formula(item: Formula, comparison: Comparison, scene: Scene, among: frozenset[str] | None) -> Iterator[_Point]:
    """For each input of a formula the first value, on the grid on which it is shown, at which the comparison changes. The formulas are monotone in each input."""
    if not isinstance(comparison.limit, Parameter):
        return
    limit = figure_in(comparison.limit, formulas.FORMULAS[item.name].unit)
    for analyte in (*formulas.FORMULAS[item.name].inputs, *formulas.FORMULAS[item.name].optional):
        result = _input_of(item, analyte, scene) if analyte in ANALYTES and (among is None or analyte in among) else None
        if result is not None:
            yield from _bisected(item, comparison, limit, scene, result)


def _of_slope(item: Slope, comparison: Comparison, limit: Parameter, scene: Scene) -> Iterator[_Point]:
    """For a slope the latest point is moved (F-31): the more it rises, the more the slope does."""
    number = scene.number(item)
    newest = next((r for r in scene.results(item.of) if r.value.exact is not None and r.at.exact), None)
    if newest is not None and isinstance(number, Number):
        yield from _bisected(item, comparison, figure_in(limit, number.unit), scene, newest)


def _bisected(item: Formula | Slope, comparison: Comparison, limit: Decimal, scene: Scene, result: Result) -> Iterator[_Point]:
    """The first value of a result, upwards and downwards on the grid on which it is shown, at which a comparison that is monotone in it changes."""
    known, factor = ANALYTES[result.analyte], units.analyte_factor(result.analyte, result.unit, result.code or None)
    now = result.reported.exact
    if result.value.exact is None or now is None or factor is None:
        return
    before = _holds(comparison, scene.number(item), limit)
    step = Decimal(1).scaleb(-max(decimals_of(now), known.decimals if result.unit == known.unit else 0))
    error = allowable_error(result.analyte, result.value.exact, result.method)
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
        yield _Point(result.analyte, (result,), now, at, at, "or more" if sign > 0 else "or less", result.unit, factor, None if error is None else error / factor)


def _input_of(item: Formula, analyte: str, scene: Scene) -> Result | None:
    number = scene.number(item)
    if isinstance(number, Missing):
        return None
    ref = next(((s.ref, s.path) for s in number.seen[0].parts if s.item == analyte), None)
    return next((r for r in scene.results(analyte) if (r.ref, r.path) == ref), None)


def _formula_holds(
    item: Formula | Slope, comparison: Comparison, limit: Decimal, scene: Scene, result: Result, value: tuple[Decimal, Decimal]
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
    label, unit = ANALYTES[each.analyte].label, UNITS_TOLD.get(each.unit, each.unit)
    told = head(side(label, each.figure, unit, each.direction), becomes)
    flip = Flip(code, label, each.now, each.figure, unit, each.direction, each.error, becomes, told)
    if each.error is None:
        return flip
    sent, error = each.results[0].text, f"{shown(each.error, decimals_of(each.now) + 1)} {unit}".strip()
    if flip.within_error:
        return replace(flip, text=f"{told}; {sent} lies within the assay's allowable error of {error}: repeat it if that would change what you do")
    return replace(flip, text=f"{told}; {sent} is further from it than the assay's allowable error of {error}")


__all__ = ["MOST_JUDGED", "Changed", "Edge", "Flip", "Judge", "comparisons_of", "edges_of", "nearest_flip"]
