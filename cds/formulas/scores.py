"""Bedside scores. A score with a part missing has no total, only "at least n": the interval runs from what is there to
what could be.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from cds.formulas.constants import Bands, FormulaConstants
from cds.formulas.monotone import NotComputable, within
from cds.numbers import Interval, rounded

_Judge = Callable[[Interval], bool | None]


@dataclass(frozen=True, slots=True)
class Score:
    """Points by item, each as the fewest and most that the inputs allow; `missing` names the items without an input."""

    points: tuple[tuple[str, int, int], ...]
    missing: tuple[str, ...]

    @property
    def at_least(self) -> int:
        """Points that are certain."""
        return sum(low for _, low, _ in self.points)

    @property
    def at_most(self) -> int:
        """Points that are possible."""
        return sum(high for _, _, high in self.points)

    @property
    def total(self) -> int | None:
        """The score; None when an item is missing or spans two bands."""
        return self.at_least if not self.missing and self.at_least == self.at_most else None

    @property
    def interval(self) -> Interval:
        """All totals that the inputs allow."""
        return Interval(Decimal(self.at_least), Decimal(self.at_most))

    def any_at_least(self, points: Decimal) -> bool | None:
        """Whether one item alone scores `points`: True, False, or None when a missing or uncertain item could."""
        if any(low >= points for _, low, _ in self.points):
            return True
        return None if any(high >= points for _, _, high in self.points) else False


def qsofa(
    respiratory_rate: Interval | None, systolic: Interval | None, gcs: Interval | None, *, c: FormulaConstants
) -> Score:
    """Quick sepsis score, 0 to 3, adults: rate (/min) >= 22, systolic (mm[Hg]) <= 100, GCS < 15. Seymour 2016."""
    items: dict[str, tuple[int, int] | None] = {
        "respiratory_rate": _flag(respiratory_rate, lambda v: _negated(v.below(c.qsofa_respiratory_rate))),
        "systolic": _flag(systolic, lambda v: _negated(v.above(c.qsofa_systolic))),
        "gcs": _flag(gcs, lambda v: v.below(c.gcs_full)),
    }
    return _score(items, dict.fromkeys(items, 1))


def gcs_total(
    eye: Interval | None, verbal: Interval | None, motor: Interval | None, *, c: FormulaConstants
) -> Interval:
    """Glasgow coma scale, 3 to 15, from its parts. NotComputable when a part could not be tested: report the parts.
    Teasdale 1974.
    """
    total = Interval(Decimal(0), Decimal(0))
    for name, part, most in (
        ("eye", eye, c.gcs_eye_maximum),
        ("verbal", verbal, c.gcs_verbal_maximum),
        ("motor", motor, c.gcs_motor_maximum),
    ):
        if part is None:
            raise NotComputable(f"{name} response not testable: no total")
        within(part, Decimal(1), most, f"{name} response outside 1 to {most}")
        total = total + part
    return total


def news2(
    *,
    respiratory_rate: Interval | None,
    spo2: Interval | None,
    on_oxygen: bool | None,
    systolic: Interval | None,
    heart_rate: Interval | None,
    alert: bool | None,
    temperature: Interval | None,
    age: Interval,
    pregnant: bool = False,
    hypercapnic: bool = False,
    c: FormulaConstants,
) -> Score:
    """NEWS2, 0 to 20. Rates /min, SpO2 %, systolic mm[Hg], temperature Cel; `hypercapnic` takes SpO2 scale 2.

    `alert` False stands for new confusion, voice, pain or unresponsive. Values are rounded half up to the chart's own
    digits (whole numbers; temperature one decimal), since its bands leave no room between. NotComputable under 16
    years or in pregnancy. Source: Royal College of Physicians 2017, chart 1.
    """
    within(age, c.news2_from_years, None, f"NEWS2 holds only from {c.news2_from_years} years")
    if pregnant:
        raise NotComputable("NEWS2 does not hold in pregnancy")
    bands = c.news2_bands
    oxygen, not_alert = int(c.news2_oxygen), int(c.news2_not_alert)
    if not hypercapnic:
        scales: tuple[Bands, ...] = (bands["spo2_scale_1"],)
    elif on_oxygen is None:
        scales = (bands["spo2_scale_2_air"], bands["spo2_scale_2_oxygen"])
    else:
        scales = (bands["spo2_scale_2_oxygen" if on_oxygen else "spo2_scale_2_air"],)
    items: dict[str, tuple[int, int] | None] = {
        "respiratory_rate": _banded(respiratory_rate, 0, bands["respiratory_rate"]),
        "spo2": _banded(spo2, 0, *scales),
        "oxygen": None if on_oxygen is None else (oxygen * on_oxygen, oxygen * on_oxygen),
        "systolic": _banded(systolic, 0, bands["systolic"]),
        "heart_rate": _banded(heart_rate, 0, bands["heart_rate"]),
        "alert": None if alert is None else (not_alert * (not alert), not_alert * (not alert)),
        "temperature": _banded(temperature, 1, bands["temperature"]),
    }
    most = {
        name: max(points for _, points in bands[name])
        for name in ("respiratory_rate", "systolic", "heart_rate", "temperature")
    }
    most |= {"spo2": max(points for scale in scales for _, points in scale), "oxygen": oxygen, "alert": not_alert}
    return _score(items, most)


def _banded(value: Interval | None, decimals: int, *scales: Bands) -> tuple[int, int] | None:
    """Fewest and most points over every band that the value may lie in."""
    if value is None:
        return None
    low = None if value.low is None else rounded(value.low, decimals)
    high = None if value.high is None else rounded(value.high, decimals)
    points: list[int] = []
    for scale in scales:
        under: Decimal | None = None
        for up_to, score in scale:
            starts_before_end = high is None or under is None or high > under
            ends_after_start = low is None or up_to is None or low <= up_to
            if starts_before_end and ends_after_start:
                points.append(score)
            under = up_to
    return min(points), max(points)


def _flag(value: Interval | None, judge: _Judge) -> tuple[int, int] | None:
    if value is None:
        return None
    verdict = judge(value)
    return (0, 1) if verdict is None else (int(verdict), int(verdict))


def _negated(verdict: bool | None) -> bool | None:
    return None if verdict is None else not verdict


def _score(items: Mapping[str, tuple[int, int] | None], most: Mapping[str, int]) -> Score:
    points = tuple((name, *(found if found is not None else (0, most[name]))) for name, found in items.items())
    return Score(points, tuple(name for name, found in items.items() if found is None))
