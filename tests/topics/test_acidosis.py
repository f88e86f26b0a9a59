"""Acid blood: who silences whom, and what a card says where guidelines differ."""

from __future__ import annotations

import pytest

from cds.assess import Assessment, assess
from cds.chart import NO_MEMORY
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge


def judged(*things: object, profile: str = "", hook: str = "") -> Assessment:
    return assess(chart(*things, hook=hook), NO_MEMORY, knowledge(profile))  # type: ignore[arg-type]


KETOACIDOSIS = (
    result("glucose", "24"), result("ph", "7.20"), result("bicarbonate", "12"), result("urine_ketones", "3"), result("sodium", "138"), result("chloride", "100"),
    condition("diabetes"),
)  # fmt: skip


def test_hz_24_ketoacidosis_by_strip_is_not_also_a_question_for_ketones() -> None:
    codes = judged(*KETOACIDOSIS).codes()
    assert "dka-criteria-met" in codes and "ketones-not-measured" not in codes


def test_control_without_ketoacidosis_the_question_is_asked() -> None:
    milder = [each if getattr(each, "analyte", "") != "urine_ketones" else result("urine_ketones", "1") for each in KETOACIDOSIS]
    codes = judged(*milder).codes()
    assert "dka-criteria-met" not in codes and "ketones-not-measured" in codes


@pytest.mark.parametrize(
    ("profile", "ph", "expected"),
    [("", "6.95", ""), ("us-2009", "6.95", "bicarbonate-without-indication"), ("", "7.00", "bicarbonate-without-indication")],
)  # fmt: skip
def test_bicarbonate_in_the_band_between_guidelines(profile: str, ph: str, expected: str) -> None:
    """6.9 by Kitabchi 2009, 7.0 by Umpierrez 2024: in between the one speaks and the other does not, and the card that speaks prints both."""
    bag = order("sodium_bicarbonate", drafted=True, contents=(("sodium_bicarbonate", "100", "mmol"),), volume="500", rate=("250", "mL/h"))
    things = (
        result("glucose", "25"), result("beta_hydroxybutyrate", "6"), result("ph", ph), result("bicarbonate", "6"), result("sodium", "140"),
        result("chloride", "100"), result("potassium", "4.4"),
    )  # fmt: skip
    made = judged(*things, bag, profile=profile, hook="order-sign")
    found = {finding.code: finding for group in made.groups for finding in group.findings}
    assert ("bicarbonate-without-indication" in found) == bool(expected)
    if expected:
        text = " ".join(found["bicarbonate-without-indication"].branch.words.differs)
        for figure, source in (("7", "consensus-2024"), ("6.9", "us-2009"), ("not routinely", "uk-2023")):
            assert figure in text and source in text


def test_n_11_after_a_convulsion_the_card_says_repeat_and_nothing_is_ignored() -> None:
    things = (
        result("ph", "7.21"), result("bicarbonate", "18"), result("sodium", "140"), result("chloride", "103"), result("beta_hydroxybutyrate", "0.4"),
        result("lactate", "7"),
    )  # fmt: skip
    after = judged(*things, condition("seizure", onset=30))
    finding = next(f for g in after.groups for f in g.findings if f.code == "high-anion-gap-without-ketosis")
    assert finding.indicator == "critical" and "Repeat the gas" in finding.branch.words.summary
    # Control: without a convulsion it is the cause that is asked for.
    alone = judged(*things)
    other = next(f for g in alone.groups for f in g.findings if f.code == "high-anion-gap-without-ketosis")
    assert "Look for the cause now" in other.branch.words.summary


def test_c_01_an_untreated_hyperosmolar_state_speaks_at_every_order_hook() -> None:
    things = (
        result("glucose", "40"), result("sodium", "140"), result("beta_hydroxybutyrate", "0.5"), result("ph", "7.38"), result("bicarbonate", "22"),
        order("amoxicillin", drafted=True, route="oral", dose=("500", "mg"), per_day="3"),
    )  # fmt: skip
    assert "hhs-criteria-met" in judged(*things, hook="order-sign").codes()
    fluid = order("sodium_chloride", contents=(("sodium_chloride", "9", "g"),), volume="1000", rate=("500", "mL/h"))
    # Control: with fluid running and a draft of something else it does not interrupt.
    assert "hhs-criteria-met" not in judged(*things, fluid, hook="order-sign").codes()
