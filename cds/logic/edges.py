"""Comparisons as a flip sees them: the figures at which they change, and how a change is told."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from cds.chart import Order
from cds.logic.criteria import Above, AtLeastValue, AtMostValue, Below, Between, Latest
from cds.logic.reason import Reason
from cds.logic.truth import UNKNOWN
from cds.numbers import shown
from cds.parameters import Parameter

if TYPE_CHECKING:
    from cds.logic.scene import Scene

Judge = Callable[["Scene", Order | None], str]
Comparison = Below | AtMostValue | Above | AtLeastValue
COMPARISONS = (Below, AtMostValue, Above, AtLeastValue)
UNITS_TOLD = {"mm[Hg]": "mmHg", "umol/L": "micromol/L", "1": "", "[iU]/h": "unit/h", "[iU]/kg/h": "unit/kg/h", "mosm/kg": "mOsm/kg", "meq/L": "mEq/L"}


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


def comparisons_of(leaf: Reason) -> tuple[Comparison, ...]:
    """The comparisons of a decided leaf; a band counts as two."""
    node = leaf.node
    if leaf.truth is UNKNOWN:
        return ()
    if isinstance(node, Between):
        return (AtLeastValue(node.item, node.low), Below(node.item, node.high))
    return (node,) if isinstance(node, COMPARISONS) else ()


def edges_of(nodes: Iterable[object]) -> dict[str, tuple[Edge, ...]]:
    """The figures with which comparisons among some nodes look at each analyte."""
    found: dict[str, dict[tuple[str, bool], Edge]] = {}
    for node in nodes:
        for one in (AtLeastValue(node.item, node.low), Below(node.item, node.high)) if isinstance(node, Between) else (node,):
            if isinstance(one, COMPARISONS) and isinstance(one.item, Latest) and isinstance(one.limit, Parameter) and isinstance(one.limit.value, Decimal):
                edge = Edge(one.limit, isinstance(one, (Below, AtLeastValue)))
                found.setdefault(one.item.analyte, {}).setdefault((f"{one.limit.key} {one.limit.value}", edge.at_rising), edge)
    return {analyte: tuple(edges.values()) for analyte, edges in found.items()}


def decimals_of(value: Decimal) -> int:
    """How many places a number was given with."""
    exponent = value.as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def side(label: str, figure: Decimal, unit: str, direction: str) -> str:
    """ "potassium 3.5 mmol/L or more", "pH less than 7.25"."""
    number = f"{shown(figure)} {unit}".strip()
    return f"{label} {number} {direction}" if direction.startswith("or ") else f"{label} {direction} {number}"


def head(where: str, becomes: str) -> str:
    """What the advisory would be there."""
    return f"Would be {becomes} at {where}" if becomes else f"Would not appear at {where}"
