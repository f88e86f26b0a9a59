"""Each coefficient a tenth more or less (a count: one): some example must notice (HZ-22)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from decimal import Decimal as D
from typing import Any

import pytest

from cds import formulas as f
from cds.formulas import catalogue
from cds.formulas.constants import FormulaConstants
from cds.parameters import ParameterSet
from tests.formulas import test_fluids_and_loads as loads
from tests.formulas import test_news2 as news2
from tests.formulas import test_sodium as sodium
from tests.formulas import test_trend as trend
from tests.formulas import test_worked_examples as worked

# Read by those who draw the samples, not by a formula: `cds.logic` and intake have their tests.
ELSEWHERE = frozenset(
    ("total_co2_minutes", "trend_window_minutes", "trend_apart_minutes", "trend_span_minutes", "trend_before_change_minutes", "trend_spread_samples", "news2_single")
)
COUNTS = ("gcs_", "news2_", "insulin_meals")
NAMES = [each.name for each in fields(FormulaConstants) if each.name not in ELSEWHERE | {"news2_bands"}]


def examples(p: ParameterSet, c: FormulaConstants, children: bool) -> Iterator[Callable[[], Any]]:
    """Every worked example of one population, as something to call that fails when it is wrong."""
    if children:
        yield from (lambda row=row: loads.test_child(p, *row) for row in loads.CHILD)
        yield lambda: loads.test_child_rate_less_a_bolus(c)
        return
    yield from (lambda row=row: worked.test_by_name(p, *row) for row in worked.BY_NAME)
    yield from (lambda row=row: loads.test_adult(p, *row) for row in loads.ADULT)
    for direct in (worked.DIRECT, loads.DIRECT):
        yield from (lambda row=row: loads.test_direct(c, *row) for row in direct)
    yield from (lambda row=row: worked.test_hz_03_where_it_does_not_hold(p, *row) for row in NOT_HOLDING)
    yield from (lambda row=row: sodium.test_change_by_a_litre(c, *row) for row in sodium.LITRE)
    yield from (lambda row=row: sodium.test_body_water(c, *row) for row in sodium.WATER)
    yield from (lambda row=row: news2.test_scale_2(c, *row) for row in ((True, "88", 0),))
    yield from (lambda row=row: worked.test_gas_check(c, *row) for row in rows(worked.test_gas_check))
    yield from (lambda row=row: worked.test_phenytoin_forms(c, *row) for row in rows(worked.test_phenytoin_forms))
    yield from (lambda row=row: worked.test_pairing(p, *row) for row in rows(worked.test_pairing))
    yield from (
        lambda check=check: check(c)
        for check in (
            worked.test_cockcroft_weight,
            worked.test_more_that_does_not_hold,
            loads.test_bicarbonate_as_stated,
            trend.test_projection_stops_at_two_hours,
            news2.test_oxygen_and_consciousness,
            news2.test_not_for_everybody,
            news2.test_printed_examples,
        )
    )
    yield lambda: sodium.test_change_by_a_bolus_is_not_a_share_of_the_litre(p, c)
    yield lambda: worked.test_ranges_are_shown_as_ranges(c, p)


def rows(check: Any) -> list[tuple[Any, ...]]:
    """The rows of a parametrized test."""
    return [tuple(row) for mark in check.pytestmark for row in mark.args[1]]


NOT_HOLDING = rows(worked.test_hz_03_where_it_does_not_hold)


def noticed(name: str, p: ParameterSet, monkeypatch: pytest.MonkeyPatch, way: int) -> bool:
    """Whether an example fails when the constant `name` is off: `way` is 1 for more, -1 for less, 0 for not at all."""
    for people in ("adult", "child"):
        whose = p.for_population(people)
        true = f.constants(whose)
        value = getattr(true, name)
        if value is None:
            continue
        step = D(1) if name.startswith(COUNTS) else abs(value) / 10
        wrong = replace(true, **{name: value + way * step})
        with monkeypatch.context() as patch:
            patch.setattr(catalogue, "constants", lambda _, wrong=wrong: wrong)
            for example in examples(whose, wrong, people == "child"):
                try:
                    example()
                except (AssertionError, pytest.fail.Exception, f.NotComputable):
                    return True
    return False


@pytest.mark.parametrize("way", [1, -1], ids=("more", "less"))
@pytest.mark.parametrize("name", NAMES)
def test_hz_22_a_wrong_coefficient_is_noticed(p: ParameterSet, monkeypatch: pytest.MonkeyPatch, name: str, way: int) -> None:
    assert noticed(name, p, monkeypatch, way), f"no example rests on {name}"


def test_control_right_coefficients_pass_every_example(p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the coefficients as they are no example fails: what is noticed above is the tenth."""
    assert not any(noticed(name, p, monkeypatch, 0) for name in ("katz_factor", "child_deficit_hours"))
