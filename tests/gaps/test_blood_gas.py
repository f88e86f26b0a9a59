"""E3: the gas against itself and against the laboratory. Source: Henderson-Hasselbalch, pH = 6.1 + log10(HCO3 / (0.0307 * pCO2 mmHg)); limits are ours."""

from __future__ import annotations

from typing import Any

import pytest

from cds.advisory import Advisory
from cds.chart import Chart, Result
from cds.gaps import GAS, Item, quality
from cds.logic.criteria import Below, Latest
from cds.parameters import ParameterSet
from tests.assess.making import A1, A5, advisory, branch, judged, knowledge_of, potassium_below
from tests.logic.scenes import chart, limit, result


def gas(ph: str, pco2: str, bicarbonate: str, minutes: int = 20, **more: Any) -> tuple[Result, ...]:
    return (
        result("ph", ph, minutes, method="gas", **more), result("pco2", pco2, minutes, method="gas", **more),
        result("bicarbonate", bicarbonate, minutes, method="gas", **more),
    )  # fmt: skip


def of_potassium(p: ParameterSet) -> tuple[Advisory, ...]:
    return (advisory(A5, branch("b", potassium_below("low", p), "critical")),)


def of_ph(p: ParameterSet) -> tuple[Advisory, ...]:
    return (advisory(A1, branch("b", Below(Latest("ph", p["age"]), limit("7.30", "1")), "critical")),)


def found(held: Chart, advisories: Any = of_potassium) -> tuple[Item, ...]:
    knowledge = knowledge_of(advisories)
    return quality(held, judged(held, knowledge), knowledge).gas


# By hand: pCO2 40 mmHg and bicarbonate 24 mmol/L give 6.1 + log10(24 / 1.228) = 7.391.
BY_HAND = [
    ("7.39", "40", "24", None), ("7.30", "40", "24", None), ("7.28", "40", "24", "warning"), ("7.50", "40", "24", "warning"), ("7.48", "40", "24", None),
    # The scenario of unreadable results: 4.67 kPa is 35.0 mmHg, with 18.6 mmol/L 7.34; measured 7.18.
    ("7.18", "35.03", "18.6", "warning"),
]  # fmt: skip


@pytest.mark.parametrize("row", BY_HAND, ids=str)
def test_hz_09_a_gas_that_does_not_agree_with_itself(row: tuple[str, str, str, str | None]) -> None:
    ph, pco2, bicarbonate, indicator = row
    items = found(chart(*gas(ph, pco2, bicarbonate), hook="patient-view"))
    assert [(i.code, i.indicator) for i in items] == ([] if indicator is None else [(GAS, indicator)])


def test_a_doubtful_gas_is_said_only_where_a_card_rests_on_it() -> None:
    doubtful = chart(*gas("7.29", "40", "21.0"), hook="patient-view")  # 7.33 computed: 0.04 apart
    apart = chart(*gas("7.27", "40", "21.0"), hook="patient-view")  # 0.06 apart
    assert found(doubtful, of_ph) == ()
    assert [i.indicator for i in found(apart, of_ph)] == ["info"]
    assert found(apart, of_potassium) == ()


def test_the_odd_one_is_named_where_a_fourth_value_tells() -> None:
    wrong = gas("7.18", "35.03", "18.6")
    alone = found(chart(*wrong, hook="patient-view"))[0].text
    assert "No fourth value tells" in alone and "7.18 measured, 7.34 computed" in alone
    lab = result("bicarbonate", "12.9", 25)
    assert "the bicarbonate of the gas is the odd one" in found(chart(*wrong, lab, hook="patient-view"))[0].text
    other = result("bicarbonate", "18.0", 25)
    assert "does not settle it" in found(chart(*wrong, other, hook="patient-view"))[0].text


NO_TRIPLE = {
    "drawn apart": (result("ph", "7.18", 20, method="gas"), result("pco2", "40", 26, method="gas"), result("bicarbonate", "24", 20, method="gas")),
    "two kinds of specimen": (
        result("ph", "7.18", method="gas", specimen="arterial"), result("pco2", "40", method="gas", specimen="venous"), result("bicarbonate", "24", method="gas"),
    ),
    "the laboratory's bicarbonate": (result("ph", "7.18", method="gas"), result("pco2", "40", method="gas"), result("bicarbonate", "24")),
    "too old": gas("7.18", "40", "24", 300),
}  # fmt: skip


@pytest.mark.parametrize("name", NO_TRIPLE)
def test_hz_21_only_one_specimen_is_held_against_itself(name: str) -> None:
    assert found(chart(*NO_TRIPLE[name], hook="patient-view")) == ()


DISAGREE = [
    ("potassium", "3.1", "3.7", False), ("potassium", "3.1", "3.71", True), ("sodium", "138", "144", False), ("sodium", "138", "145", True),
    ("glucose", "8.0", "10.0", False), ("glucose", "7.9", "10.0", True),
]  # fmt: skip


@pytest.mark.parametrize("row", DISAGREE, ids=str)
def test_hz_09_gas_and_laboratory_of_one_moment_disagree(row: tuple[str, str, str, bool]) -> None:
    analyte, on_gas, in_lab, said = row
    held = chart(result(analyte, on_gas, 20, method="gas"), result(analyte, in_lab, 45), hook="patient-view")
    items = found(held)
    assert [i.indicator for i in items] == (["info"] if said else [])
    if said:
        assert on_gas in items[0].text and in_lab in items[0].text and items[0].test == analyte


def test_samples_drawn_half_an_hour_apart_are_not_compared() -> None:
    held = chart(result("potassium", "3.1", 20, method="gas"), result("potassium", "4.5", 51), hook="patient-view")
    assert found(held) == ()
