"""HZ-05: the twelve common slips of a unit, for drugs given by weight."""

from __future__ import annotations

from decimal import Decimal as D

import pytest

from cds.numbers import Interval
from cds.orders import slips
from cds.orders.slips import possible_slips

# Usual range per kg and hour, common practice; only the distance between the ends matters here.
USUAL = {
    "insulin [iU]": ("0.05", "0.1"),
    "propofol mg": ("1", "4"),
    "midazolam mg": ("0.05", "0.2"),
    "ketamine mg": ("0.5", "2.5"),
    "noradrenaline ug": ("3", "20"),
    "phenytoin mg": ("40", "60"),
}
WEIGHTS = ("12", "35", "70", "110")


def every_slip(weight: D) -> list[D]:
    """What each of the twelve slips does to a rate."""
    plain = [D(60), D(1000), D(24), D(10)]
    by_weight = [weight, 60 * weight]
    return [factor for one in (*plain, *by_weight) for factor in (one, 1 / one)]


def test_hz_05_slips_are_found() -> None:
    """From the middle of each usual range: at least 99 in 100 slips are named, and none in the range is."""
    found, tried = 0, 0
    for low, high in USUAL.values():
        for kg in WEIGHTS:
            usual = Interval(D(low) * D(kg), D(high) * D(kg))
            middle = (D(low) * D(high)).sqrt() * D(kg)
            for factor in every_slip(D(kg)):
                tried += 1
                found += bool(possible_slips(middle * factor, usual, D(kg)))
            for step in range(11):
                inside = D(kg) * (D(low) + (D(high) - D(low)) * step / 10)
                assert possible_slips(inside, usual, D(kg)) == ()
    assert tried == 12 * len(USUAL) * len(WEIGHTS)
    assert found >= D("0.99") * tried


def test_hz_05_the_slip_is_named() -> None:
    """Insulin 7 units/h usual; 360 and 0.07 are slips, 8 is only unusual."""
    usual = Interval(D("3.5"), D(7))
    assert possible_slips(D(360), usual, None) == ("per minute instead of per hour",)
    assert "for the whole patient instead of per kg" in possible_slips(D("0.07"), usual, D(70))
    assert possible_slips(D("0.07"), usual, None) == ("per hour instead of per minute",)
    assert possible_slips(D(8), usual, D(70)) == ()


def test_control_hz_05(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the table nothing would be found."""
    monkeypatch.setattr(slips, "_PLAIN", ())
    with pytest.raises(AssertionError):
        test_hz_05_slips_are_found()
