"""A formula over intervals, by the direction in which each input moves it (R-m48)."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Context, Decimal, DivisionByZero, InvalidOperation
from typing import Final

from cds.numbers import ZERO, Interval, point

RISES: Final = 1
FALLS: Final = -1

_EXACT: Final = Context(prec=28, traps=[DivisionByZero, InvalidOperation])


class NotComputable(ValueError):
    """A formula that does not hold for these inputs. The message is the reason in words, fit for a card."""


def log10(value: Decimal) -> Decimal:
    """Decimal logarithm to 28 digits; minus infinity for zero."""
    return _EXACT.log10(value)


def power(value: Decimal, exponent: Decimal) -> Decimal:
    """`value` to a power that may be a fraction, to 28 digits. `value` must not be negative."""
    return _EXACT.power(value, exponent)


def root(value: Decimal, degree: int) -> Decimal:
    """The square (2) or cube (3) root, to 28 digits."""
    return _EXACT.sqrt(value) if degree == 2 else _EXACT.power(value, _EXACT.divide(Decimal(1), Decimal(degree)))


def not_negative(value: Interval) -> Interval:
    """The part of the interval that a concentration, a pressure or a weight can have. "<5" starts at 0, never below."""
    if value.high is not None and value.high < ZERO:
        raise NotComputable("a negative value")
    if value.low is None or value.low < ZERO:
        return Interval(ZERO, value.high, False, value.high_open)
    return value


def monotone(
    compute: Callable[..., Decimal],
    *inputs: tuple[Interval, int],
    strict: bool = True,
    floor: Decimal | None = None,
) -> Interval:
    """`compute` over intervals: each input RISES or FALLS, so the ends of the result come from ends of the inputs.

    An end that is unbounded, or a division by zero there, leaves the result unbounded on that side (or at `floor`).
    `strict` says that the result moves with every step of every input; only then may an open end of an input leave the
    result's end out. NotComputable when the one value there is has no result.
    """
    if all(each.low is not None and each.low == each.high for each, _ in inputs):
        exact = _corner(compute, [each.low for each, _ in inputs])
        if exact is None:
            raise NotComputable("division by zero")
        return point(exact)
    low, low_open = _end(compute, inputs, RISES)
    high, high_open = _end(compute, inputs, FALLS)
    if low is None and floor is not None:
        low, low_open = floor, False
    return Interval(low, high, strict and low_open, strict and high_open)


def _end(
    compute: Callable[..., Decimal], inputs: tuple[tuple[Interval, int], ...], direction: int
) -> tuple[Decimal | None, bool]:
    values: list[Decimal | None] = []
    is_open = False
    for interval, moves in inputs:
        takes_low = moves == direction
        values.append(interval.low if takes_low else interval.high)
        is_open = is_open or (interval.low_open if takes_low else interval.high_open)
    found = _corner(compute, values)
    return found, is_open and found is not None


def _corner(compute: Callable[..., Decimal], values: list[Decimal | None]) -> Decimal | None:
    if any(value is None for value in values):
        return None
    try:
        found = compute(*values)
    except (ZeroDivisionError, InvalidOperation):
        return None
    return found if found.is_finite() else None


def within(
    value: Interval, low: Decimal | None, high: Decimal | None, reason: str, *, below: Decimal | None = None
) -> None:
    """NotComputable with `reason` unless every value lies from `low` to `high` and under `below`."""
    if low is not None and value.below(low) is not False:
        raise NotComputable(reason)
    if high is not None and value.above(high) is not False:
        raise NotComputable(reason)
    if below is not None and value.below(below) is not True:
        raise NotComputable(reason)
