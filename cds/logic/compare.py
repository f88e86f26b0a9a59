"""Numbers that a criterion compares, and the comparison itself.

A measured interval is Kleene: it decides only where both ends agree. A sum over orders is a range: "too much" looks at its upper end, "too little" too, and
a sum with a bag that cannot be computed has no upper end, so that only its lower end can be too much (F-1).
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import msgspec

from cds import units
from cds.logic.reason import Gap, Seen
from cds.numbers import Interval
from cds.parameters import Parameter

Test = Callable[[Interval, Decimal, bool], bool | None]


class KnowledgeError(ValueError):
    """The knowledge itself is at fault: a limit whose unit cannot meet its item, a state that does not exist, a circle."""


class Candidate:
    """One value that may decide: canonical, and as reported with its unit where a source may print its own figure for that unit.

    `seen`, the evidence behind it, is made when somebody asks: most comparisons are never told to anybody.
    """

    __slots__ = ("_seen", "reported", "unit", "value")

    def __init__(self, value: Interval, reported: Interval | None, unit: str, seen: Seen | Callable[[], Seen]) -> None:
        self.value = value
        self.reported = reported
        self.unit = unit
        self._seen = seen

    @property
    def seen(self) -> Seen:
        """What the value rests on."""
        if not isinstance(self._seen, Seen):
            self._seen = self._seen()
        return self._seen


class Number(msgspec.Struct, frozen=True):
    """A known number. `total` marks a sum over orders, whose upper end may be unbounded (F-1)."""

    candidates: tuple[Candidate, ...]
    unit: str
    total: bool = False
    note: str = ""

    @property
    def seen(self) -> tuple[Seen, ...]:
        """What the number rests on."""
        return tuple(candidate.seen for candidate in self.candidates)


class Missing:
    """A number that is not there, and why. Why is found out when somebody asks."""

    __slots__ = ("_gaps", "seen")

    def __init__(self, gaps: tuple[Gap, ...] | Callable[[], tuple[Gap, ...]], seen: tuple[Seen, ...] = ()) -> None:
        self._gaps = gaps
        self.seen = seen

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """What is missing."""
        if not isinstance(self._gaps, tuple):
            self._gaps = self._gaps()
        return self._gaps


def compare(number: Number, limit: Parameter, test: Test) -> bool | None:
    """Compare each candidate with the limit and take TRUE if one is, FALSE if all are not.

    In the reported unit when the source prints a figure for it, else in the limit's own unit (MET 1.2, N-07). Order totals follow F-1.
    """
    answer: bool | None = False
    for candidate in number.candidates:
        value, figure = meet(candidate, number.unit, limit)
        one = test(value, figure, number.total)
        if one is True:
            return True
        if one is None:
            answer = None
    return answer


def meet(candidate: Candidate, unit: str, limit: Parameter) -> tuple[Interval, Decimal]:
    """The value and the limit in one unit. KnowledgeError when no unit holds both."""
    as_reported, figure = figure_for(candidate, unit, limit)
    return (candidate.reported if as_reported and candidate.reported is not None else candidate.value), figure


def figure_for(candidate: Candidate, unit: str, limit: Parameter) -> tuple[bool, Decimal]:
    """Whether the value is compared as it was reported, and the limit's figure for it. Units decide it, not the value. KnowledgeError when no unit holds both."""
    if candidate.reported is not None:
        printed = limit.in_unit(candidate.unit)
        if printed is not None:
            return True, printed
    if limit.unit == unit:
        return False, limit.number
    return False, figure_in(limit, unit)


def figure_in(limit: Parameter, unit: str) -> Decimal:
    """The limit's figure in a unit: the one its source prints, else converted. KnowledgeError when the two kinds differ."""
    printed = limit.in_unit(unit)
    if printed is not None:
        return printed
    try:
        return units.convert(limit.number, limit.unit, unit)
    except units.UnitError as error:
        raise KnowledgeError(f"limit '{limit.key}' is in {limit.unit}, its item in {unit}") from error


def is_below(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value < limit. A total is below only when its upper end is."""
    if total_:
        return value.high is not None and value.high < limit
    return value.below(limit)


def is_at_most(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value <= limit. "None ordered" asks whether the upper end of a total is zero."""
    if total_:
        return value.high is not None and value.high <= limit
    above = value.above(limit)
    return None if above is None else not above


def is_above(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value > limit. A total fires on its upper end; with a bag that cannot be computed only its lower end can (F-1)."""
    if total_:
        if value.high is not None:
            return value.high > limit
        return True if value.low is not None and value.low > limit else None
    return value.above(limit)


def is_at_least(value: Interval, limit: Decimal, total_: bool) -> bool | None:
    """value >= limit, totals as for `is_above`."""
    if total_:
        if value.high is not None:
            return value.high >= limit
        return True if value.low is not None and value.low >= limit else None
    below = value.below(limit)
    return None if below is None else not below
