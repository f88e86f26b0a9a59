"""Rise of sodium, what is left of a limit, and what a bolus of 3 % saline adds."""

from __future__ import annotations

from decimal import Decimal as D
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds.formulas import sodium
from cds.numbers import Interval, point, shown
from cds.parameters import ParameterSet


def i(value: Any) -> Interval:
    return point(D(str(value)))


def series(text: str) -> list[tuple[D, Interval]]:
    return [(D(at), i(value)) for at, value in (each.split(":") for each in text.split())]


# samples (hour:mmol/L), window h, rise, from, hours between, left of 10, left of 8. Limits: Spasovski 2014, Verbalis 2013
RISES = [
    ("0:112 20:121", 24, "9", "112", "20", "1", "0"),  # worked by hand
    ("0:118 12:125", 24, "7", "118", "12", "3", "1"),  # worked by hand
    ("0:120 4:114 20:121", 24, "7", "114", "16", "3", "1"),  # from the lowest, not the oldest
    ("0:110 24:121", 24, "11", "110", "24", "0", "0"),  # 24 h ago still counts
    ("0:110 0.1:116 24.1:121", 24, "5", "116", "24", "5", "3"),  # 24.1 h ago no longer
    ("0:110 24:120 47:126", 48, "16", "110", "47", "0", "0"),  # over 48 h
    ("0:125 6:119", 24, "-6", "125", "6", "16", "14"),  # a fall leaves more than the limit
    ("20:121 0:112", 24, "9", "112", "20", "1", "0"),  # in any order
    ("0:112 5:112 20:121", 24, "9", "112", "15", "1", "0"),  # from the newest of two lowest
]


@pytest.mark.parametrize(("text", "window", "rise", "lowest", "hours", "left_10", "left_8"), RISES)
def test_rise(text: str, window: int, rise: str, lowest: str, hours: str, left_10: str, left_8: str) -> None:
    found = f.sodium_rise(series(text), D(window))
    assert (found.rise, found.lowest, found.hours) == (i(rise), i(lowest), D(hours))
    assert (f.rise_left(found.rise, D(10)), f.rise_left(found.rise, D(8))) == (i(left_10), i(left_8))


@pytest.mark.parametrize(("text", "says"), [("", "no sodium"), ("5:120", "no earlier"), ("0:112 25:121", "no earlier sodium within 24 h")])
def test_hz_07_no_rise_from_one_result(text: str, says: str) -> None:
    with pytest.raises(f.NotComputable, match=says):
        f.sodium_rise(series(text), D(24))


def test_hz_03_comparators_widen_the_rise() -> None:
    """A lowest of "<115" leaves the rise open upwards; nothing is called left that may not be there."""
    found = f.sodium_rise([(D(0), Interval(None, D(115), False, True)), (D(12), i(122))], D(24))
    assert found.rise == Interval(D(7), None, True, False)
    assert f.rise_left(found.rise, D(10)) == Interval(D(0), D(3))
    two = f.sodium_rise([(D(0), Interval(D(116), None)), (D(1), Interval(D(112), D(118))), (D(9), i(122))], D(24))
    assert (two.lowest, two.rise, two.hours) == (Interval(D(112), D(118)), Interval(D(4), D(10)), D(8))


def test_control_hz_03_the_end_of_a_comparator_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """With "<115" read as 115 the check above is red."""
    monkeypatch.setattr(Interval, "__sub__", lambda a, b: point(a.low - b.high))
    with pytest.raises(AssertionError):
        test_hz_03_comparators_widen_the_rise()


def test_control_hz_07_the_newest_counts_as_its_own_past(monkeypatch: pytest.MonkeyPatch) -> None:
    """With one result taken twice a rise of nothing would be told, and the check above is red."""
    monkeypatch.setattr(sodium, "sorted", lambda samples, key: [*samples, *samples], raising=False)
    with pytest.raises(pytest.fail.Exception):
        test_hz_07_no_rise_from_one_result("5:120", "no earlier")


@settings(deadline=None)
@given(values=st.lists(st.integers(100, 160), min_size=2, max_size=8), window=st.integers(8, 48))
def test_rise_against_every_pair(values: list[int], window: int) -> None:
    """The greatest of all differences from an earlier sample in the window."""
    samples = [(D(4 * at), i(value)) for at, value in enumerate(values)]
    last = len(values) - 1
    expect = max(values[-1] - value for at, value in enumerate(values[:-1]) if 4 * (last - at) <= window)
    assert f.sodium_rise(samples, D(window)).rise == i(expect)


def test_control_rise_from_the_oldest(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the oldest taken for the lowest the third row is red."""
    monkeypatch.setattr(sodium, "_lesser", lambda a, b: a)
    with pytest.raises(AssertionError):
        test_rise(*RISES[2])


WATER = [
    # age, kg, sex, litres; Adrogue and Madias 2000 (second hand); old from 65 years is ours
    (40, 70, "male", "42"),
    (64, 70, "male", "42"),
    (65, 70, "male", "35"),
    (40, 60, "female", "30"),
    (65, 60, "female", "27"),
]


@pytest.mark.parametrize(("age", "kg", "sex", "litres"), WATER)
def test_body_water(c: f.FormulaConstants, age: int, kg: int, sex: str, litres: str) -> None:
    assert f.body_water(i(age), i(kg), sex == "female", c=c).exact == D(litres)


def test_body_water_of_somebody_not_known(c: f.FormulaConstants) -> None:
    """An age that spans the limit, and a sex that is not known, cover both."""
    assert f.body_water(Interval(D(64), D(65)), i(70), False, c=c) == Interval(D(35), D(42))
    assert f.body_water(i(40), i(70), None, c=c) == Interval(D(35), D(42))
    assert f.body_water(Interval(D(64), D(65)), i(70), None, c=c) == Interval(D("31.5"), D(42))
    with pytest.raises(f.NotComputable, match="only from 18"):
        f.body_water(i(17), i(50), True, c=c)


# age, kg, sex, sodium, change by a litre of 3 % saline, source
LITRE = [
    (40, 60, "female", 115, "12.8", "worked by hand: 398/31"),
    (40, 80, "male", 118, "8.1", "worked by hand: 395/49"),
    (40, 70, "male", 110, "9.4", "a public calculator's example: 403/43 = 9.37"),
    (32, 46, "female", 112, "16.7", "Adrogue and Madias 2000, first case (from memory)"),
]


@pytest.mark.parametrize(("age", "kg", "sex", "at", "expect", "source"), LITRE)
def test_change_by_a_litre(c: f.FormulaConstants, age: int, kg: int, sex: str, at: int, expect: str, source: str) -> None:
    water = f.body_water(i(age), i(kg), sex == "female", c=c)
    found = f.change_by_litre(i(at), water, c.hypertonic_sodium).exact
    assert found is not None and shown(found, 1) == expect, source
    assert found == f.change_by_volume(i(at), water, c.hypertonic_sodium, D(1000)).exact


def test_change_by_a_bolus_is_not_a_share_of_the_litre(adults: ParameterSet, of_adults: f.FormulaConstants) -> None:
    """150 mL: exactly 1.98, by the share of a litre 1.93. Chen 2021: the change does not scale."""
    values = {"age": i(40), "weight": i(60), "sodium": i(115)}
    exact = f.compute("hypertonic_rise", values, adults, sex="female").exact
    litre = f.change_by_litre(i(115), i(30), of_adults.hypertonic_sodium).exact
    assert exact is not None and litre is not None
    assert (shown(exact, 2), shown(litre * D("0.15"), 2)) == ("1.98", "1.93")
    second = f.compute("hypertonic_rise", {"age": i(40), "weight": i(80), "sodium": i(118)}, adults, sex="male").exact
    assert second is not None and shown(second, 1) == "1.2", "worked by hand"


@settings(deadline=None)
@given(st.integers(90, 160), st.integers(15, 60), st.integers(0, 600), st.integers(1, 3000))
def test_change_keeps_every_millimole(at: int, water: int, fluid: int, volume: int) -> None:
    """The other route: all sodium there is over all water there is, in exact fractions."""
    litres = Fraction(volume, 1000)
    expect = (at * water + fluid * litres) / (water + litres) - at
    found = f.change_by_volume(i(at), i(water), D(fluid), D(volume)).exact
    assert found is not None and abs(Fraction(found) - expect) < Fraction(1, 10**18)


@settings(deadline=None)
@given(data=st.data(), fluid=st.sampled_from((0, 154, 513)))
def test_r_m48_change_holds_every_point(data: st.DataObject, fluid: int) -> None:
    low, at, high = sorted(data.draw(st.integers(90, 170)) for _ in range(3))
    least, water, most = sorted(data.draw(st.integers(15, 60)) for _ in range(3))
    inside = f.change_by_volume(i(at), i(water), D(fluid), D(150)).exact
    try:
        whole = f.change_by_volume(Interval(D(low), D(high)), Interval(D(least), D(most)), D(fluid), D(150))
    except f.NotComputable:
        assert low < fluid <= high
        return
    assert inside is not None and whole.low is not None and whole.high is not None
    assert whole.low - D("1e-20") <= inside <= whole.high + D("1e-20")


def test_hz_17_no_bolus_for_a_child(p: ParameterSet, children: ParameterSet) -> None:
    """By his age, whatever figures are chosen; and by the figures, whatever his age."""
    for age, whose, says in ((10, children, "only from 18"), (10, p.for_population("adult"), "only from 18"), (40, children, "no figure"), (40, p, "no figure")):
        with pytest.raises(f.NotComputable, match=says):
            f.compute("hypertonic_rise", {"age": i(age), "weight": i(30), "sodium": i(115)}, whose, sex="female")


def test_control_hz_17_the_age_is_not_asked(p: ParameterSet, children: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sodium, "adult", lambda age, c: None)
    with pytest.raises((pytest.fail.Exception, AssertionError)):
        test_hz_17_no_bolus_for_a_child(p, children)
