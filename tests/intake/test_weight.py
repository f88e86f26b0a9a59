"""A body weight is read with its unit, or named as unusable: never taken as a bare number (HZ-18)."""

from __future__ import annotations

from decimal import Decimal
from unittest import mock

import pytest

from cds.chart import Trouble
from tests.intake.payloads import bundle, observation, read, request

WEIGHT = "29463-7"


@pytest.mark.parametrize(
    ("value", "unit", "kg"),
    [(68, "kg", "68"), (150, "[lb_av]", "68.0388555"), (68000, "g", "68")],
)
def test_hz_18_weight_is_read_in_its_own_unit(value: int, unit: str, kg: str) -> None:
    """Pounds become kilograms by the exact factor (1 lb = 0.45359237 kg, international avoirdupois pound, 1959 agreement)."""
    found = read(request(prefetch={"body": bundle(observation(value, unit, WEIGHT))})).chart.results.of("weight")
    assert [result.value.exact for result in found] == [Decimal(kg)]


@pytest.mark.parametrize(
    ("value", "unit", "trouble"),
    [(680, "kg", Trouble.IMPLAUSIBLE), (0, "kg", Trouble.IMPLAUSIBLE), (68, "stone-ish", Trouble.UNIT_UNKNOWN), (68, "mmol/L", Trouble.UNIT_WRONG_KIND)],
)
def test_hz_18_weight_that_cannot_be_is_named(value: int, unit: str, trouble: Trouble) -> None:
    results = read(request(prefetch={"body": bundle(observation(value, unit, WEIGHT))})).chart.results
    assert results.of("weight") == () and [problem.trouble for problem in results.problems("weight")] == [trouble]


def test_control_hz_18_without_conversion_pounds_would_be_kilograms() -> None:
    with mock.patch("cds.intake.values.analyte_factor", lambda *_: Decimal(1)):
        found = read(request(prefetch={"body": bundle(observation(150, "[lb_av]", WEIGHT))})).chart.results.of("weight")
    assert [result.value.exact for result in found] != [Decimal("68.0388555")]
