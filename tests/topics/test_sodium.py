"""Sodium, osmolality and fluid: hooks, precedence, and what cards say where guidelines differ."""

from __future__ import annotations

import pytest

from cds.assess import Assessment, assess
from cds.chart import NO_MEMORY
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge


def judged(*things: object, profile: str = "", hook: str = "", **more: object) -> Assessment:
    return assess(chart(*things, hook=hook, **more), NO_MEMORY, knowledge(profile))  # type: ignore[arg-type]


def test_low_sodium_with_a_seizure_speaks_at_every_order_hook() -> None:
    draft = order("amoxicillin", drafted=True, route="oral", dose=("500", "mg"), per_day="3")
    codes = judged(result("sodium", "121"), condition("seizure", onset=10), draft, hook="order-sign").codes()
    assert "hyponatraemia-with-seizure" in codes
    # Control: a warning of the same code waits for the chart to be opened.
    assert "hyponatraemia-with-seizure" not in judged(result("sodium", "127"), condition("seizure", onset=10), draft, hook="order-sign").codes()


@pytest.mark.parametrize(("profile", "rise", "fires"), [("", "11", "critical"), ("us-2009", "11", "warning")])
def test_hz_25_in_the_band_between_guidelines_both_figures_are_said(profile: str, rise: str, fires: str) -> None:
    """More than 10 by Spasovski 2014, more than 12 by Verbalis 2013: 11 lies between."""
    made = judged(result("sodium", str(115 + int(rise)), age=10), result("sodium", "115", age=600), profile=profile)
    finding = next(f for g in made.groups for f in g.findings if f.code == "sodium-correction-too-fast")
    assert finding.indicator == fires
    text = " ".join(finding.branch.words.differs)
    assert "10 mmol/L" in text and "12 mmol/L" in text and "us-2009" in text


def test_b12_and_b13_may_both_speak() -> None:
    """Treat, but stop at the limit: neither silences the other."""
    made = judged(result("sodium", "122", age=10), result("sodium", "110", age=600), condition("seizure", onset=10))
    assert {"hyponatraemia-with-seizure", "sodium-correction-too-fast"} <= set(made.codes())


def child(*more: object) -> Assessment:
    things = (
        result("glucose", "25"), result("beta_hydroxybutyrate", "4"), result("ph", "7.25"), result("bicarbonate", "13"), result("phosphate", "0.5"),
        condition("diabetes"),
    )  # fmt: skip
    return judged(*things, *more, years=9, weight="28")


def test_suspected_oedema_silences_what_is_information_only_and_nothing_else() -> None:
    made = child(result("gcs", "12", age=5))
    codes = made.codes()
    assert "cerebral-oedema-risk-in-child" in codes and "dka-criteria-met" in codes
    assert all(finding.indicator != "info" or finding.code == "cerebral-oedema-risk-in-child" for group in made.groups for finding in group.findings)


def test_hz_17_no_adult_is_asked_about_a_childs_brain() -> None:
    things = (result("glucose", "25"), result("beta_hydroxybutyrate", "4"), result("ph", "7.05"), result("bicarbonate", "6"), condition("diabetes"))
    assert "cerebral-oedema-risk-in-child" not in judged(*things, result("gcs", "10", age=5)).codes()
    # Control: the same numbers in a child.
    assert "cerebral-oedema-risk-in-child" in judged(*things, result("gcs", "10", age=5), years=9, weight="28").codes()


@pytest.mark.parametrize("parts", [1, 2, 3, 4, 5])
def test_hz_38_one_fluid_order_split_gives_the_same_verdict(parts: int) -> None:
    """2,000 mL/h in one to five bags, with a heart that fails."""
    rate = str(2000 // parts)
    bags = [
        order("sodium_chloride", ref=f"MedicationRequest/b{n}", drafted=True, contents=(("sodium_chloride", "9", "g"),), volume="1000", rate=(rate, "mL/h"))
        for n in range(parts)
    ]
    made = judged(*bags, condition("heart_failure"), result("systolic", "120"), hook="order-sign")
    finding = next(f for g in made.groups for f in g.findings if f.code == "fluid-volume-check")
    assert finding.indicator == "warning"
