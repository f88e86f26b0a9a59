"""NEWS2 row by row: Royal College of Physicians 2017, chart 1 (read in a printed copy of the chart)."""

from __future__ import annotations

from decimal import Decimal as D
from typing import Any

import pytest

from cds import formulas as f
from cds.formulas import scores
from cds.numbers import Interval, point

WELL: dict[str, Any] = dict(
    respiratory_rate=16, spo2=97, on_oxygen=False, systolic=128, heart_rate=88, alert=True, temperature="37.0", age=40
)


def score(c: f.FormulaConstants, **change: Any) -> f.Score:
    given: dict[str, Any] = {
        name: value if isinstance(value, bool | Interval) or value is None else point(D(str(value)))
        for name, value in (WELL | change).items()
    }
    return f.news2(**given, c=c)


# the first and the last value of each band of the chart
CHART = [
    ("respiratory_rate", {"5 8": 3, "9 11": 1, "12 20": 0, "21 24": 2, "25 60": 3}),
    ("spo2", {"60 91": 3, "92 93": 2, "94 95": 1, "96 100": 0}),
    ("systolic", {"50 90": 3, "91 100": 2, "101 110": 1, "111 219": 0, "220 280": 3}),
    ("heart_rate", {"25 40": 3, "41 50": 1, "51 90": 0, "91 110": 1, "111 130": 2, "131 220": 3}),
    ("temperature", {"30.0 35.0": 3, "35.1 36.0": 1, "36.1 38.0": 0, "38.1 39.0": 1, "39.1 42.0": 2}),
]
ROWS = [(item, value, points) for item, bands in CHART for ends, points in bands.items() for value in ends.split()]


@pytest.mark.parametrize(("item", "value", "points"), ROWS)
def test_chart(c: f.FormulaConstants, item: str, value: str, points: int) -> None:
    assert score(c, **{item: value}).total == points


SCALE_2 = [
    (False, {"70 83": 3, "84 85": 2, "86 87": 1, "88 92": 0, "93 100": 0}),
    (True, {"70 83": 3, "84 85": 2, "86 87": 1, "88 92": 0, "93 94": 1, "95 96": 2, "97 100": 3}),
]


@pytest.mark.parametrize(
    ("oxygen", "value", "points"),
    [(oxygen, value, points) for oxygen, bands in SCALE_2 for ends, points in bands.items() for value in ends.split()],
)
def test_scale_2(c: f.FormulaConstants, oxygen: bool, value: str, points: int) -> None:
    assert score(c, spo2=value, on_oxygen=oxygen, hypercapnic=True).total == points + 2 * oxygen


def test_oxygen_and_consciousness(c: f.FormulaConstants) -> None:
    assert score(c, on_oxygen=True).total == 2
    assert score(c, alert=False).total == 3


def test_printed_examples(c: f.FormulaConstants) -> None:
    sick = score(c, respiratory_rate=22, spo2=95, systolic=105, heart_rate=112, temperature="38.4")
    assert (sick.total, sick.any_at_least(D(3))) == (7, False)
    assert score(c).total == 0
    assert score(c, spo2=94, on_oxygen=True, hypercapnic=True).total == 3


def test_hz_07_a_missing_item_is_never_normal(c: f.FormulaConstants) -> None:
    found = score(c, respiratory_rate=None, heart_rate=112)
    assert (found.total, found.at_least, found.at_most, found.missing) == (None, 2, 5, ("respiratory_rate",))
    assert found.interval == Interval(D(2), D(5)) and found.any_at_least(D(3)) is None
    nothing = score(c, **dict.fromkeys(set(WELL) - {"age"}))
    assert (nothing.at_least, nothing.at_most) == (0, 20)


def test_control_hz_07_missing_read_as_normal(c: f.FormulaConstants, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a missing item scored 0, the check above must fail."""
    banded = scores._banded
    monkeypatch.setattr(scores, "_banded", lambda value, *rest: (0, 0) if value is None else banded(value, *rest))
    with pytest.raises(AssertionError):
        assert score(c, respiratory_rate=None).total is None


def test_intervals_and_digits(c: f.FormulaConstants) -> None:
    spans = score(c, systolic=Interval(D(85), D(225)))
    assert (spans.total, spans.at_least, spans.at_most) == (None, 0, 3)
    assert score(c, respiratory_rate=Interval(D(25), None)).total == 3
    assert score(c, temperature="38.04").total == 0
    assert score(c, temperature="38.05").total == 1
    unknown_oxygen = score(c, spo2=97, on_oxygen=None, hypercapnic=True)
    assert (unknown_oxygen.at_least, unknown_oxygen.at_most) == (0, 5)


def test_not_for_everybody(c: f.FormulaConstants) -> None:
    with pytest.raises(f.NotComputable, match="pregnancy"):
        score(c, pregnant=True)
    with pytest.raises(f.NotComputable, match="16"):
        score(c, age=Interval(D(15), D(16)))
