"""Exact numbers: intervals of Decimal, and the one way to show a number to a person.

A result "<0.1" is not 0.1; a total with one bag that could not be computed has no upper end. Both are an `Interval`, and every
formula, sum and comparison carries it to the end (HZ-03, F-1). An end of None is unbounded.
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

import msgspec

ZERO = Decimal(0)


class Interval(msgspec.Struct, frozen=True, gc=False):
    """All values from `low` to `high`. None means unbounded on that side; `*_open` means that the end itself is not included."""

    low: Decimal | None
    high: Decimal | None
    low_open: bool = False
    high_open: bool = False

    @property
    def exact(self) -> Decimal | None:
        """The one value, when the interval is a point; else None."""
        return self.low if self.low is not None and self.low == self.high else None

    def __neg__(self) -> Interval:
        return Interval(
            None if self.high is None else -self.high, None if self.low is None else -self.low, self.high_open, self.low_open
        )

    def __add__(self, other: Interval) -> Interval:
        return Interval(
            None if self.low is None or other.low is None else self.low + other.low,
            None if self.high is None or other.high is None else self.high + other.high,
            self.low_open or other.low_open,
            self.high_open or other.high_open,
        )

    def __sub__(self, other: Interval) -> Interval:
        return self + -other

    def scale(self, factor: Decimal) -> Interval:
        """Every value times `factor`; a negative factor swaps the ends, and zero times anything is zero."""
        if factor == ZERO:
            return point(ZERO)
        if factor < ZERO:
            return (-self).scale(-factor)
        return Interval(
            None if self.low is None else self.low * factor,
            None if self.high is None else self.high * factor,
            self.low_open,
            self.high_open,
        )

    def times(self, other: Interval) -> Interval:
        """Product of two intervals that hold no negative value (concentrations, rates, weights). ValueError otherwise."""
        low = self._floor() * other._floor()
        reached = self.low == ZERO and not self.low_open or other.low == ZERO and not other.low_open
        return Interval(
            low,
            None if self.high is None or other.high is None else self.high * other.high,
            not reached if low == ZERO else self.low_open or other.low_open,
            self.high_open or other.high_open,
        )

    def over(self, other: Interval) -> Interval:
        """Quotient of two intervals that hold no negative value. A divisor that may be zero leaves the upper end unbounded.

        ZeroDivisionError when the divisor can only be zero.
        """
        floor, divisor = self._floor(), other._floor()
        if other.high is not None and other.high == ZERO:
            raise ZeroDivisionError("the divisor is zero")
        return Interval(
            ZERO if other.high is None else floor / other.high,
            None if self.high is None or divisor == ZERO else self.high / divisor,
            self.low_open if floor == ZERO else self.low_open or other.high_open or other.high is None,
            self.high_open or other.low_open,
        )

    def _floor(self) -> Decimal:
        if self.low is None or self.low < ZERO:
            raise ValueError("only for intervals without negative values")
        return self.low

    def hull(self, other: Interval) -> Interval:
        """The smallest interval that holds both."""
        low, low_open = _outer(self.low, self.low_open, other.low, other.low_open, low=True)
        high, high_open = _outer(self.high, self.high_open, other.high, other.high_open, low=False)
        return Interval(low, high, low_open, high_open)

    def below(self, limit: Decimal) -> bool | None:
        """True when every value is under `limit`, False when none is, None when the interval spans it."""
        if self.high is not None and (self.high < limit or (self.high == limit and self.high_open)):
            return True
        return False if self.low is not None and self.low >= limit else None

    def above(self, limit: Decimal) -> bool | None:
        """True when every value is over `limit`, False when none is, None when the interval spans it."""
        if self.low is not None and (self.low > limit or (self.low == limit and self.low_open)):
            return True
        return False if self.high is not None and self.high <= limit else None

    def holds(self, value: Decimal) -> bool:
        """Whether `value` is one of the values."""
        return self.below(value) is not True and self.above(value) is not True


def _outer(
    a: Decimal | None, a_open: bool, b: Decimal | None, b_open: bool, *, low: bool
) -> tuple[Decimal | None, bool]:
    if a is None or b is None:
        return None, False
    if a == b:
        return a, a_open and b_open
    return (a, a_open) if (a < b) == low else (b, b_open)


def point(value: Decimal) -> Interval:
    """The interval that holds one value."""
    return Interval(value, value)


UNBOUNDED = Interval(None, None)


def rounded(value: Decimal, decimals: int) -> Decimal:
    """`value` rounded half up to `decimals` places, for display only; comparisons never round."""
    return value.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP)


def shown(value: Decimal, decimals: int | None = None) -> str:
    """A number as a prescriber may read it: leading zero, no trailing zero, no exponent (AU-40).

    `decimals` rounds half up first; None shows every digit that the value carries.
    """
    number = value if decimals is None else rounded(value, decimals)
    text = f"{number:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def spread(value: Interval, decimals: int) -> str:
    """An interval as a person says it: "3.1", "10 to 20", "at least 12", "less than 2", "not known"."""
    if value.exact is not None:
        return shown(value.exact, decimals)
    if value.high is None:
        return "not known" if value.low is None else f"{'more than' if value.low_open else 'at least'} {shown(value.low, decimals)}"
    if value.low is None:
        return f"{'less than' if value.high_open else 'at most'} {shown(value.high, decimals)}"
    low, high = shown(value.low, decimals), shown(value.high, decimals)
    return low if low == high else f"{low} to {high}"


def as_sent(value: Decimal) -> str:
    """A laboratory's number with the digits it was sent with: 3.20 stays 3.20."""
    return f"{value:f}"
