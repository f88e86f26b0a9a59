"""The median of slopes between samples, against printed examples and a brute-force count. Sen 1968."""

from __future__ import annotations

import statistics
from decimal import Decimal as D
from fractions import Fraction
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds.numbers import Interval, point, shown

SPAN, APART = D(1), D("0.25")


def samples(text: str) -> list[tuple[D, D]]:
    return [(D(at), D(value)) for at, value in (each.split(":") for each in text.split())]


@pytest.mark.parametrize(
    ("series", "expect"),
    [
        ("0:6.2 1:5.6 2.5:4.9 4:4.0", "-0.542"),  # worked by hand
        ("0:30.0 1:26.5 2:29.8 3:20.4", "-3.125"),  # one outlier
        ("0:5.0 2:4.0", "-0.5"),  # two points: the plain slope
        ("0:5.0 0.9:4.0", None),  # shorter than an hour
        ("0:5.0 0.1:9.0 2:4.0", "-2.632"),  # the older of a close pair goes
        ("0:5.0", None),
        ("", None),
        ("1:5.0 1:6.0", None),
    ],
)
def test_slope(series: str, expect: str | None) -> None:
    found = f.slope(samples(series), min_span=SPAN, min_apart=APART)
    assert (None if found is None else shown(found, 3)) == expect


def test_spread_and_what_was_used() -> None:
    four = f.theil_sen(exact("0:6.2 1:5.6 2.5:4.9 4:4.0"), min_span=SPAN, min_apart=APART)
    assert (four.samples, four.hours) == (4, D(4)) and four.spread is not None
    assert [shown(each, 4) for each in four.spread] == ["-0.5875", "-0.5233"]
    three = f.theil_sen(exact("0:6.2 1:5.6 2.5:4.9"), min_span=SPAN, min_apart=APART)
    assert three.spread is None


def exact(text: str) -> list[tuple[D, Interval]]:
    return [(at, point(value)) for at, value in samples(text)]


def test_not_across_a_change_of_treatment() -> None:
    before = f.theil_sen(exact("0:20 1:24 2:28 3:26 4:24"), min_span=SPAN, min_apart=APART)
    after = f.theil_sen(exact("0:20 1:24 2:28 3:26 4:24"), min_span=SPAN, min_apart=APART, not_before=D("1.8"))
    assert after.slope == point(D(-2)) != before.slope
    with pytest.raises(f.NotComputable):
        f.theil_sen(exact("0:20 1:24 2:28"), min_span=SPAN, min_apart=APART, not_before=D("1.8"))


def test_projection_stops_at_two_hours(c: f.FormulaConstants) -> None:
    assert f.projected(point(D(10)), point(D(-2)), D(2), c=c) == point(D(6))
    with pytest.raises(f.NotComputable, match="2 h ahead"):
        f.projected(point(D(10)), point(D(-2)), D("2.1"), c=c)


def test_hz_03_comparator_widens_the_slope() -> None:
    series = [(D(0), Interval(D(30), None)), (D(1), point(D(26))), (D(2), point(D(20)))]
    found = f.theil_sen(series, min_span=SPAN, min_apart=APART).slope
    assert found == Interval(None, D(-5))
    assert f.theil_sen(series[:1] + series[2:], min_span=SPAN, min_apart=APART).slope == Interval(None, D(-5))


times = st.lists(st.integers(0, 360), min_size=2, max_size=9, unique=True)


@settings(deadline=None)
@given(minutes=times, data=st.data())
def test_against_brute_force(minutes: list[int], data: st.DataObject) -> None:
    """Exact fractions, every pair, `statistics.median`."""
    values = [data.draw(st.integers(10, 400)) for _ in minutes]
    series = sorted((Fraction(at, 60), Fraction(value, 10)) for at, value in zip(minutes, values, strict=True))
    expect = statistics.median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(series, 2))
    given_ = [(D(at) / 60, D(value) / 10) for at, value in zip(minutes, values, strict=True)]
    found = f.slope(given_, min_span=D(0), min_apart=D(0))
    assert found is not None and abs(Fraction(found) - expect) < Fraction(1, 10**20)


@settings(deadline=None)
@given(minutes=times, data=st.data())
def test_against_scipy(minutes: list[int], data: st.DataObject) -> None:
    stats = pytest.importorskip("scipy.stats")
    values = [data.draw(st.integers(10, 400)) for _ in minutes]
    found = f.slope([(D(at), D(v)) for at, v in zip(minutes, values, strict=True)], min_span=D(0), min_apart=D(0))
    assert found is not None and float(found) == pytest.approx(stats.theilslopes(values, minutes)[0], abs=1e-9)


@settings(deadline=None)
@given(minutes=times, data=st.data())
def test_intervals_hold_every_slope(minutes: list[int], data: st.DataObject) -> None:
    spans, inside = [], []
    for at in minutes:
        low, middle, high = sorted(data.draw(st.integers(10, 400)) for _ in range(3))
        spans.append((D(at), Interval(D(low), D(high))))
        inside.append((D(at), D(middle)))
    whole = f.theil_sen(spans, min_span=D(0), min_apart=D(0)).slope
    slope = f.slope(inside, min_span=D(0), min_apart=D(0))
    assert slope is not None and whole.holds(slope)
