"""Intervals hold every value that their inputs allow, and a number is shown as a prescriber may read it (HZ-03, AU-40)."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.numbers import UNBOUNDED, Interval, as_sent, point, rounded, shown, spread

numbers = st.decimals(min_value=-1000, max_value=1000, places=2)
positive = st.decimals(min_value=0, max_value=1000, places=2)


@st.composite
def spans(draw: st.DrawFn, values: st.SearchStrategy[Decimal] = numbers) -> tuple[Interval, Decimal]:
    """An interval and one of its values."""
    low, value, high = sorted(draw(st.tuples(values, values, values)))
    open_low = draw(st.booleans()) and low < value
    open_high = draw(st.booleans()) and value < high
    return Interval(None if draw(st.integers(0, 5)) == 0 and low < 0 else low, None if draw(st.integers(0, 5)) == 0 else high, open_low, open_high), value


@given(spans(), spans())
def test_sums_and_differences_hold_what_they_should(a: tuple[Interval, Decimal], b: tuple[Interval, Decimal]) -> None:
    assert (a[0] + b[0]).holds(a[1] + b[1])
    assert (a[0] - b[0]).holds(a[1] - b[1])
    assert a[0].hull(b[0]).holds(a[1]) and a[0].hull(b[0]).holds(b[1])


@given(spans(), numbers)
def test_scaling_holds_what_it_should(a: tuple[Interval, Decimal], factor: Decimal) -> None:
    assert a[0].scale(factor).holds(a[1] * factor)


@given(spans(positive), spans(positive))
def test_products_and_quotients_hold_what_they_should(a: tuple[Interval, Decimal], b: tuple[Interval, Decimal]) -> None:
    assert a[0].times(b[0]).holds(a[1] * b[1])
    if b[1] > 0 and b[0].high != 0:
        quotient = a[1] / b[1]
        span = a[0].over(b[0])
        # The quotient of two decimals may be rounded in its last digit.
        nearly = Decimal("1e-20") * (1 + abs(quotient))
        assert span.low is None or span.low <= quotient + nearly
        assert span.high is None or quotient <= span.high + nearly


@given(spans(), numbers)
def test_below_and_above_speak_for_every_value(a: tuple[Interval, Decimal], line: Decimal) -> None:
    interval, value = a
    assert interval.below(line) is not (value >= line)
    assert interval.above(line) is not (value <= line)


def test_nothing_is_divided_by_zero_and_nothing_negative_is_multiplied() -> None:
    with pytest.raises(ZeroDivisionError):
        point(Decimal(1)).over(point(Decimal(0)))
    with pytest.raises(ValueError, match="negative"):
        point(Decimal(-1)).times(point(Decimal(2)))
    assert point(Decimal(1)).over(Interval(Decimal(0), Decimal(2))).high is None


def test_what_is_not_bounded_decides_nothing() -> None:
    assert UNBOUNDED.below(Decimal(1)) is None and UNBOUNDED.above(Decimal(1)) is None and UNBOUNDED.exact is None


# AU-40: leading zero, no trailing zero, no exponent. Source: 45 CFR 170.315(b)(3)(ii)(F), read second hand.
SHOWN = [("0.5", None, "0.5"), ("1.0", None, "1"), ("1E+2", None, "100"), ("0.10", None, "0.1"), ("-0.0", None, "0"), ("3.25", 1, "3.3"), ("10", None, "10"), ("2.50", 2, "2.5")]


@pytest.mark.parametrize("row", SHOWN, ids=str)
def test_au_40_numbers_for_a_prescriber(row: tuple[str, int | None, str]) -> None:
    value, decimals, text = row
    assert shown(Decimal(value), decimals) == text


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9))
def test_au_40_every_number(value: Decimal) -> None:
    text = shown(value)
    assert re.fullmatch(r"-?(0|[1-9]\d*)(\.\d*[1-9])?", text) and Decimal(text) == value


def test_control_au_40_pythons_own_text_has_trailing_zeros_and_exponents() -> None:
    with pytest.raises(AssertionError):
        assert all(re.fullmatch(r"-?(0|[1-9]\d*)(\.\d*[1-9])?", str(Decimal(v))) for v in ("1.0", "1E+2"))


def test_a_laboratorys_number_keeps_its_digits() -> None:
    assert as_sent(Decimal("3.20")) == "3.20" and rounded(Decimal("2.5"), 0) == Decimal(3)


SPREADS = [
    (point(Decimal("3.14")), "3.1"), (Interval(Decimal(1), Decimal(2)), "1 to 2"), (Interval(Decimal(1), None), "at least 1"),
    (Interval(Decimal(1), None, low_open=True), "more than 1"), (Interval(None, Decimal(2)), "at most 2"), (Interval(None, Decimal(2), high_open=True), "less than 2"),
    (UNBOUNDED, "not known"), (Interval(Decimal("1.01"), Decimal("1.02")), "1"),
]  # fmt: skip


@pytest.mark.parametrize("row", SPREADS, ids=str)
def test_intervals_in_words(row: tuple[Interval, str]) -> None:
    assert spread(row[0], 1) == row[1]
