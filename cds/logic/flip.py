"""The nearest flip: which one number, at which value, would change a fired advisory, and whether that lies within the assay's allowable error.

One numeric leaf at a time, the rest as it is, within the plausible range, against the indicator that this code fired with, before precedence (F-31). A result is
changed and the code judged again, so that a value which only moves the advisory into another branch of the same indicator is never called a flip.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from cds.chart import Problem, Result, Results
from cds.logic.criteria import (
    Above,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    Latest,
    RatePerWeight,
    Since,
    Total,
)
from cds.logic.reason import Reason, Seen
from cds.logic.scene import Scene
from cds.logic.truth import TRUE
from cds.numbers import Interval, point, shown
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES, allowable_error

_COMPARE = (Below, AtMostValue, Above, AtLeastValue, Between)
_UNIT = {"mm[Hg]": "mmHg", "umol/L": "micromol/L", "1": "", "[iU]/h": "unit/h", "min": "min"}


@dataclass(frozen=True, slots=True)
class Flip:
    """The nearest change of one number that would change the advisory. `error` is the allowable error of the measurement, None where there is none."""

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
    """Results in which one result has another value."""

    __slots__ = ("_inner", "_ref", "_result")

    def __init__(self, inner: Results, result: Result) -> None:
        self._inner, self._result, self._ref = inner, result, result.ref

    def of(self, analyte: str) -> tuple[Result, ...]:
        """The results of an analyte, with the changed one in its place."""
        found = self._inner.of(analyte)
        if analyte != self._result.analyte:
            return found
        return tuple(self._result if r.ref == self._ref else r for r in found)

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems(analyte)

    def analytes(self) -> frozenset[str]:
        """As in the chart."""
        return self._inner.analytes()


Judge = Callable[[Scene], str]


def nearest_flip(code: str, reason: Reason, indicator: str, scene: Scene, judge: Judge) -> Flip | None:
    """The nearest flip of a fired advisory, or None when no single number would change it.

    `judge` gives the indicator with which the code fires on a scene, "" when it does not.
    """
    best: tuple[Decimal, Flip] | None = None
    for flip in _candidates(code, reason, indicator, scene, judge):
        size = abs(flip.at - flip.now)
        distance = size / flip.error if flip.error else size / abs(flip.now) if flip.now else size
        if best is None or distance < best[0]:
            best = (distance, flip)
    return None if best is None else best[1]


def _candidates(code: str, reason: Reason, indicator: str, scene: Scene, judge: Judge) -> Iterator[Flip]:
    for leaf in _leaves(reason):
        node = leaf.node
        if not isinstance(node, _COMPARE) or leaf.truth is not TRUE or not leaf.seen:
            continue
        item = node.item
        for limit, direction in _edges(node):
            if isinstance(item, Latest):
                flip = _of_result(code, item, leaf.seen, limit, direction, indicator, scene, judge)
                if flip is not None:
                    yield flip
            elif isinstance(item, (Total, RatePerWeight, Since)):
                flip = _of_other(code, item, leaf.seen[0], limit, direction)
                if flip is not None:
                    yield flip


def _leaves(reason: Reason) -> Iterator[Reason]:
    if not reason.children or isinstance(reason.node, Between):
        yield reason
    for child in reason.children:
        if child.truth is TRUE:
            yield from _leaves(child)


def _edges(node: Below | AtMostValue | Above | AtLeastValue | Between) -> Iterator[tuple[Parameter, str]]:
    """The figures at which a comparison stops being true, and on which side: "or more", "more than", "or less", "less than"."""
    if isinstance(node, Between):
        if isinstance(node.high, Parameter):
            yield node.high, "or more"
        if isinstance(node.low, Parameter):
            yield node.low, "less than"
        return
    if isinstance(node.limit, Parameter):
        yield node.limit, {Below: "or more", AtMostValue: "more than", Above: "or less", AtLeastValue: "less than"}[type(node)]


def _of_result(
    code: str, item: Latest, seen: tuple[Seen, ...], limit: Parameter, direction: str, indicator: str, scene: Scene, judge: Judge
) -> Flip | None:
    analyte = ANALYTES[item.analyte]
    source = next((r for s in seen for r in scene.results(item.analyte) if r.ref == s.ref), None)
    if source is None or source.value.exact is None:
        return None
    printed = limit.in_unit(source.unit) if source.reported.exact is not None else None
    at = limit.number if limit.unit == analyte.unit else limit.in_unit(analyte.unit)
    if at is None:
        return None
    step = Decimal(1).scaleb(-analyte.decimals)
    beyond = {"or more": at, "or less": at, "more than": at + step, "less than": at - step}[direction]
    if not analyte.plausible_low <= beyond <= analyte.plausible_high:
        return None
    reported = printed if printed is not None and direction in ("or more", "or less") else None
    changed = Result(
        source.ref, source.analyte, point(beyond), point(reported if reported is not None else beyond),
        source.unit if reported is not None else analyte.unit, shown(beyond), source.at, source.method, source.specimen, source.code,
        source.preliminary, source.haemolysed, source.label, source.path,
    )  # fmt: skip
    becomes = judge(scene.with_results(Changed(scene.chart.results, changed)))
    if becomes == indicator:
        return None
    error = allowable_error(item.analyte, source.value.exact, source.method)
    unit = _UNIT.get(analyte.unit, analyte.unit)
    now = source.value.exact
    text = _text(analyte.label, source.text, now, at, direction, unit, error, becomes)
    return Flip(code, analyte.label, now, at, unit, direction, error, becomes, text)


def _text(label: str, sent: str, now: Decimal, at: Decimal, direction: str, unit: str, error: Decimal | None, becomes: str) -> str:
    side = {"or more": f"{label} {shown(at)} {unit} or more", "or less": f"{label} {shown(at)} {unit} or less"}.get(
        direction, f"{label} {direction} {shown(at)} {unit}"
    )
    head = f"Would not appear at {side.strip()}" if not becomes else f"Would be {becomes} at {side.strip()}"
    if error is None:
        return head
    if abs(at - now) <= error:
        return f"{head}; {sent} lies within the assay's allowable error of {shown(error, 2)}: repeat it if that would change what you do"
    return f"{head}; {sent} is further from it than the assay's allowable error of {shown(error, 2)}"


def _of_other(code: str, item: Total | RatePerWeight | Since, seen: Seen, limit: Parameter, direction: str) -> Flip | None:
    """Sums, rates and times have no assay error; they are told as what the number would have to be."""
    if not isinstance(seen.value, Interval) or seen.value.high is None or not isinstance(limit.value, Decimal):
        return None
    now = seen.value.high
    unit = _UNIT.get(seen.unit, seen.unit)
    label = seen.item
    side = f"{label} {shown(limit.number)} {unit} {direction}" if direction in ("or more", "or less") else f"{label} {direction} {shown(limit.number)} {unit}"
    return Flip(code, label, now, limit.number, unit, direction, None, "", f"Would not appear at {side}")
