"""Series over time: points of an analyte or of a formula, their slope, what it projects, changes and extremes. One method only (HZ-21)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING

import msgspec

from cds import formulas
from cds.chart import MINUTE, Result
from cds.formulas import NotComputable
from cds.logic.compare import Candidate, Missing, Number
from cds.logic.expressions import Change, Extreme, Projected, Slope
from cds.logic.reason import Gap, GapState, Seen
from cds.numbers import ZERO, Interval, point, shown, spread
from cds.parameters import Absent, Parameter
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.scene import Scene


FEW = 2


class Point(msgspec.Struct, frozen=True):
    """One sample: when (epoch ms), the value, and the results behind it. The collector must see it: what it tells names the scene that remembers it."""

    at: int
    value: Decimal
    seen: Callable[[], Seen]


def series(scene: Scene, expression: Slope | Change | Projected | Extreme) -> Number | Missing:
    """The value of an expression over a series, or what is missing for it."""
    drawn = expression.series if isinstance(expression, Projected) else expression
    label, unit = _named(drawn.of)
    if isinstance(drawn.window, Absent):
        return _no_figure(drawn.of)
    floor = scene.now - int(drawn.window.number * MINUTE)
    if isinstance(drawn, Slope) and drawn.since:
        floor = max(floor, _start(scene, drawn.since))
    points = scene.points.get((drawn.of, floor))
    if points is None:
        points = scene.points[drawn.of, floor] = _points(scene, drawn.of, floor)
    if isinstance(drawn, Extreme):
        return _extreme(drawn, points, label, unit)
    if isinstance(drawn, Change):
        return _change(drawn, points, label, unit)
    if isinstance(drawn.span, Absent) or isinstance(drawn.apart, Absent):
        return _no_figure(drawn.of)
    # Counted from the first sample, so that a span of a whole hour is a whole hour: two sixtieths that are rounded differ by less.
    samples = [(Decimal(each.at - points[-1].at) / (60 * MINUTE), point(each.value)) for each in reversed(points)]
    try:
        trend = formulas.theil_sen(samples, min_span=drawn.span.number / 60, min_apart=drawn.apart.number / 60)
    except NotComputable:
        return Missing((Gap(drawn.of, GapState.NOT_MEASURED, f"{label}: no series over {shown(drawn.span.number)} min"),), _seen(points))
    slope = trend.slope.exact
    if slope is None:
        return Missing((Gap(drawn.of, GapState.NOT_MEASURED, f"{label}: no series over {shown(drawn.span.number)} min"),), _seen(points))
    if isinstance(expression, Projected):
        return _projected(expression, points, slope, label, unit)
    text = f"{shown(slope, 2)} {unit}/h over {trend.samples} results"
    if trend.spread is not None:
        text += f" (middle half {shown(trend.spread[0], 2)} to {shown(trend.spread[1], 2)})"
    return _told(f"slope of {label}", point(slope), text, f"{unit}/h", points)


def _projected(expression: Projected, points: list[Point], slope: Decimal, label: str, unit: str) -> Number | Missing:
    if isinstance(expression.ahead, Absent):
        return _no_figure(expression.series.of)
    ahead = expression.ahead.number / 60 if expression.ahead.unit == "min" else expression.ahead.number
    value = point(points[0].value + slope * ahead)
    going = "falling" if slope < ZERO else "rising"
    text = f"{spread(value, 1)} {unit} in {shown(ahead)} h if it goes on {going} by {shown(abs(slope), 2)} {unit}/h"
    return _told(f"projected {label}", value, text, unit, points)


def _change(drawn: Change, points: list[Point], label: str, unit: str) -> Number | Missing:
    if len(points) < 2:
        return Missing((Gap(drawn.of, GapState.NOT_MEASURED, f"{label}: fewer than two results"),), _seen(points))
    newest, earlier = points[0], points[1:]
    other = earlier[-1] if drawn.against == "oldest" else (min if drawn.against == "lowest" else max)(earlier, key=lambda each: (each.value, each.at))
    change = newest.value - other.value
    hours = Decimal(newest.at - other.at) / (60 * MINUTE)
    going = "up" if change > ZERO else "down"
    # A score has no unit to be said.
    said = "" if unit == "1" else f" {unit}"
    text = f"{shown(change, 2)}{said}"
    if drawn.against != "oldest":
        text = f"{going} {shown(abs(change), 1)}{said} in {shown(hours, 1)} h ({shown(other.value, 1)} to {shown(newest.value, 1)})"
    return _told(f"change of {label}", point(change), text, unit, [newest, other] if drawn.against != "oldest" else points)


def _extreme(drawn: Extreme, points: list[Point], label: str, unit: str) -> Number | Missing:
    if not points:
        return Missing((Gap(drawn.of, GapState.NOT_MEASURED, f"{label}: none recorded"),), ())
    chosen = points[-1] if drawn.which == "oldest" else (min if drawn.which == "lowest" else max)(points, key=lambda each: (each.value, each.at))
    return Number((Candidate(point(chosen.value), None, unit, chosen.seen),), unit)


# Points ----------------------------------------------------------------------------------------------------------------------------------


def _points(scene: Scene, name: str, floor: int) -> list[Point]:
    """The samples at or after an instant, newest first."""
    if name in ANALYTES:
        drawn = of_one_method(_Exact(scene, name, floor).results)
        return [Point(r.at.latest, r.value.exact, lambda r=r: scene.seen_result(r)) for r in drawn if r.value.exact is not None]  # type: ignore[misc]
    return _of_formula(scene, formulas.FORMULAS[name], floor)


def _of_formula(scene: Scene, formula: formulas.Formula, floor: int) -> list[Point]:
    """A sample at each draw of the first input, the others being the nearest of their kind within the pairing limit (Q-M11)."""
    first, *others = formula.inputs
    _, limit = formulas.pairing(scene.p)
    reach = int(limit * MINUTE)
    found: list[Point] = []
    drawn = of_one_method(_Exact(scene, first, floor).results)
    beside = {name: _Exact(scene, name, floor - reach) for name in (*others, *formula.optional)} if drawn else {}
    for result in drawn:
        used = {first: result}
        for name, held in beside.items():
            near = held.nearest(result.at.latest, reach)
            if near is not None:
                used[name] = near
        if any(name not in used for name in others):
            continue
        try:
            value = formulas.compute(formula.name, {name: r.value for name, r in used.items()}, scene.p, sex=scene.chart.patient.sex)
        except NotComputable:
            continue
        if value.exact is not None:
            found.append(Point(result.at.latest, value.exact, lambda f=formula, v=value, u=used: _seen_formula(scene, f, v, u)))  # type: ignore[misc]
    return found


class _Exact:
    """The results of an analyte with an exact value and time, from the newest to the oldest, and their times counted backwards."""

    __slots__ = ("results", "times")

    def __init__(self, scene: Scene, analyte: str, floor: int) -> None:
        self.results = [r for r in scene.recent(analyte, floor) if r.value.exact is not None and r.at.exact and r.at.latest >= floor]
        self.times = [-r.at.latest for r in self.results]

    def nearest(self, at: int, reach: int) -> Result | None:
        """The one drawn nearest to an instant, within `reach` of it; of two as near the newer one."""
        same, after = bisect_left(self.times, -at), bisect_right(self.times, -at)
        if same == after:
            same, after = bisect_left(self.times, -at - reach), bisect_right(self.times, -at + reach)
        near = self.results[same:after]
        if len(near) < FEW:
            return near[0] if near else None
        return min(near, key=lambda r: (abs(r.at.latest - at), -r.at.latest, r.ref))


def _seen_formula(scene: Scene, formula: formulas.Formula, value: Interval, used: dict[str, Result]) -> Seen:
    parts = tuple(scene.seen_result(result) for result in used.values())
    text = f"{spread(value, formula.decimals)} {formula.unit}".strip()
    note = ", ".join(f"{ANALYTES[part.item].label} {part.text}" for part in parts)
    return Seen("formula", formula.label, text, value=value, unit=formula.unit, at=parts[0].at, age_minutes=parts[0].age_minutes, note=note, parts=parts)


def of_one_method(points: list[Result]) -> list[Result]:
    """A trend never mixes methods (HZ-21): the newest point's method decides."""
    return [r for r in points if r.method == points[0].method]


def _start(scene: Scene, event: str) -> int:
    """From when samples count: a little before the event. Without a time for it, all do."""
    moment = scene.event(event)
    if moment is None:
        return 0
    lead = scene.p["series_before_event"]
    before = int(lead.number * MINUTE) if isinstance(lead, Parameter) else 0
    return (moment.latest if moment.earliest is None else moment.earliest) - before


def _named(name: str) -> tuple[str, str]:
    """Label and unit of an analyte or a formula."""
    if name in ANALYTES:
        return ANALYTES[name].label, ANALYTES[name].unit
    formula = formulas.FORMULAS[name]
    return formula.label, formula.unit


def _seen(points: list[Point]) -> tuple[Seen, ...]:
    return tuple(each.seen() for each in points)


def _told(item: str, value: Interval, text: str, unit: str, points: list[Point]) -> Number:
    # What it rests on is told when somebody asks.
    return Number((Candidate(value, None, unit, lambda: Seen("series", item, text, value=value, unit=unit, parts=_seen(points))),), unit)


def _no_figure(item: str) -> Missing:
    return Missing((Gap(item, GapState.OUT_OF_SCOPE, f"{item}: no figure for this age"),))
