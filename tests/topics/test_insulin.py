"""Insulin: who silences whom, at which hook it is said, what is offered, and what a card says where guidelines differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from cds import speaking
from cds.advisory import Advisory, Assessment, Finding, Outcome
from cds.assess import Knowledge, assess
from cds.candidates import Change, offers
from cds.chart import NO_MEMORY, Chart, Order
from cds.knowledge import join, population_of
from cds.parameters import ParameterSet
from cds.parameters.figures import POPULATIONS
from cds.topics import TOPICS
from tests.charts import chart, condition, given, insulin, order, potassium_bag, result
from tests.topics.table import knowledge, parameters

LOW_POTASSIUM = (result("potassium", "3.2", age=20), result("glucose", "22", age=20))
DKA = condition("diabetic_ketoacidosis", recorded=600)
TYPE_1 = condition("diabetes_type_1", "diabetes")


def judged(*things: object, profile: str = "", hook: str = "", weight: str | None = "68", years: int = 61, known: Knowledge | None = None) -> Assessment:
    return assess(made(*things, hook=hook, weight=weight, years=years), NO_MEMORY, known or knowledge(profile))


def made(*things: object, hook: str = "", weight: str | None = "68", years: int = 61) -> Chart:
    return chart(*things, hook=hook, weight=weight, years=years)  # type: ignore[arg-type]


def findings(assessment: Assessment) -> dict[str, Finding]:
    """Code to finding, whether on a card, a line of one, or folded."""
    shown = {finding.code: finding for group in assessment.groups for finding in group.findings}
    return {finding.code: finding for finding in assessment.folded} | shown


def stop(running: Order) -> tuple[Order, Order]:
    """A running order and the draft that stops it."""
    return running, replace(running, drafted=True, status="stopped")


def without(code: str, *dropped: str) -> Knowledge:
    """The knowledge in which one advisory has no precedence over the dropped codes."""

    def advisories(p: ParameterSet) -> Iterator[Advisory]:
        for each in (each for topic in TOPICS for each in topic.advisories(p)):
            kept = tuple(row for row in each.precedence if row.code not in dropped)
            yield replace(each, precedence=kept) if each.code == code else each

    figures = parameters()
    adult, child = (population_of(name, figures, advisories(figures.for_population(name))) for name in POPULATIONS)
    return join(figures, adult, child, version="1")


# Who silences whom -------------------------------------------------------------------------------------------------------------------


def test_hz_24_a_low_potassium_and_a_low_rate_do_not_push_one_infusion_both_ways() -> None:
    found = findings(judged(*LOW_POTASSIUM, DKA, insulin("1", start=60), hook="patient-view"))
    assert "insulin-with-low-potassium" in found and "insulin-rate-out-of-range" not in found


def test_control_hz_24_without_that_precedence_both_speak() -> None:
    known = without("insulin-with-low-potassium", "insulin-rate-out-of-range")
    found = findings(judged(*LOW_POTASSIUM, DKA, insulin("1", start=60), hook="patient-view", known=known))
    assert "insulin-with-low-potassium" in found and "insulin-rate-out-of-range" in found


def test_hz_24_a_low_glucose_silences_too_low_and_takes_the_glucose_card() -> None:
    made = judged(result("glucose", "3.5", age=20), result("gcs", "15"), DKA, insulin("1", start=60), hook="patient-view")
    assert "insulin-rate-out-of-range" not in findings(made)
    assert made.verdict("dextrose-needed-with-insulin").outcome is Outcome.ABSORBED


def test_while_insulin_waits_for_potassium_glucose_is_a_line_of_that_card() -> None:
    made = judged(result("potassium", "3.2", age=20), result("glucose", "10", age=20), DKA, insulin("6.8", drafted=True))
    group = next(group for group in made.groups if group.lead.code == "insulin-with-low-potassium")
    assert "dextrose-needed-with-insulin" in [finding.code for finding in group.absorbed]


def test_but_a_glucose_that_is_nearly_low_has_its_own_card() -> None:
    made = judged(result("potassium", "3.2", age=20), result("glucose", "8.0", age=20), DKA, insulin("6.8", drafted=True))
    assert "glucose beside insulin" in [group.problem for group in made.groups]


def test_hz_17_a_childs_bolus_is_one_card_however_large() -> None:
    made = judged(result("glucose", "22", age=20), DKA, insulin("25", drafted=True, push=True), weight="25", years=8)
    dose = [group for group in made.groups if group.problem == "insulin dose"]
    assert [group.lead.code for group in dose] == ["insulin-bolus-in-child"]


def test_a_resolved_crisis_does_not_also_ask_for_a_faster_course_or_glucose() -> None:
    over = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("bicarbonate", "22", age=20), result("glucose", "9", age=20))
    codes = findings(judged(*over, result("potassium", "4.2", age=20), DKA, insulin("3", start=600), hook="patient-view"))
    assert "crisis-resolved" in codes
    assert not {"crisis-trajectory-off-target", "dextrose-needed-with-insulin"} & set(codes)


def _over(*more: object) -> str:
    """The words of the end of a crisis."""
    numbers = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("bicarbonate", "22", age=20), result("glucose", "9", age=20))
    words = findings(judged(*numbers, result("potassium", "4.2", age=20), DKA, insulin("3", start=600), *more, hook="patient-view"))["crisis-resolved"].branch.words
    return " ".join((words.summary, *words.do))


@pytest.mark.parametrize("basal", [{"start": 75}, {"start": 20}, {"drafted": True}])
def test_hz_38_a_crisis_that_is_over_asks_for_no_second_basal_insulin(basal: dict[str, Any]) -> None:
    words = _over(order("insulin_glargine", dose=("24", "[iU]"), route="subcutaneous", per_day="1", **basal))
    assert "give basal" not in words and "decide when insulin by vein stops" in words


def test_control_hz_38_without_basal_insulin_it_is_asked_for() -> None:
    at_home = order("insulin_glargine", dose=("24", "[iU]"), route="subcutaneous", per_day="1", home=True)
    assert "give basal insulin" in _over() and "give basal insulin" in _over(at_home)


def test_stopping_without_overlap_says_that_ketosis_goes_on_as_a_line() -> None:
    ketones = (result("beta_hydroxybutyrate", "2.4", age=20), result("ph", "7.28", age=20), result("glucose", "9", age=20), result("potassium", "4.2", age=20))
    made = judged(*ketones, DKA, *stop(insulin("6.8", start=600)), hook="order-sign")
    group = next(group for group in made.groups if group.problem == "insulin stop")
    assert group.lead.code == "insulin-stop-without-overlap" and [f.code for f in group.absorbed] == ["insulin-stop-before-resolution"]


@pytest.mark.parametrize("low", [result("glucose", "3.2", age=20), result("potassium", "2.8", age=20)])
def test_hz_24_no_card_keeps_insulin_running_that_another_asks_to_pause(low: object) -> None:
    """M-05: at most a warning, and it asks for a restart time."""
    rest = [each for each in (result("glucose", "12", age=20), result("potassium", "4.2", age=20)) if each.analyte != getattr(low, "analyte", "")]
    found = findings(judged(low, *rest, result("beta_hydroxybutyrate", "4", age=20), DKA, TYPE_1, *stop(insulin("6.8", start=600)), hook="order-sign"))
    finding = found["insulin-stop-without-overlap"]
    assert finding.indicator == "warning" and "restart" in finding.branch.words.summary
    for code in ("insulin-stop-without-overlap", "insulin-stop-before-resolution"):
        words = found[code].branch.words
        assert not any("keep" in line for line in (words.summary, *words.do)), code


def test_control_hz_24_without_a_reason_to_pause_it_is_critical_and_keeps_insulin_on() -> None:
    usual = (result("glucose", "12", age=20), result("potassium", "4.2", age=20), result("beta_hydroxybutyrate", "4", age=20))
    finding = findings(judged(*usual, DKA, TYPE_1, *stop(insulin("6.8", start=600)), hook="order-sign"))["insulin-stop-without-overlap"]
    assert finding.indicator == "critical" and "keep it on" in finding.branch.words.summary


def test_c_04_a_low_glucose_leads_and_insulin_for_potassium_joins_its_card() -> None:
    made = judged(result("potassium", "6.6", age=20), result("glucose", "3.5", age=20), insulin("10", drafted=True, push=True))
    group = next(group for group in made.groups if group.problem == "low glucose")
    assert (group.lead.code, group.lead.indicator) == ("hypoglycaemia", "critical")
    assert "hypoglycaemia-after-insulin-for-hyperkalaemia" in [finding.code for finding in group.others]


def test_m_15_order_of_speech_for_one_insulin_draft() -> None:
    """A7, then A8, then A10 among equals."""
    made = judged(result("glucose", "9", age=20), DKA, insulin("15", drafted=True))
    problems = [group.problem for group in made.groups if group.problem in ("potassium before insulin", "insulin dose", "glucose beside insulin")]
    assert problems == ["potassium before insulin", "insulin dose", "glucose beside insulin"]


# Hooks -------------------------------------------------------------------------------------------------------------------------------


STOPPED_GLUCOSE = stop(order("glucose", contents=(("glucose", "50", "g"),), volume="1000", rate=("100", "mL/h")))


def test_q_m03_a_glucose_infusion_that_is_stopped_is_the_order_in_hand() -> None:
    made = judged(result("glucose", "10", age=20), result("potassium", "4.2", age=20), DKA, insulin("3", start=120), *STOPPED_GLUCOSE, hook="order-sign")
    assert "glucose beside insulin" in [group.problem for group in made.groups]


def test_control_q_m03_counted_as_merely_running_it_would_be_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaking, "in_hand", lambda orders, scene: any(ref in {o.ref for o in scene.orders.drafts} for ref in orders))
    with pytest.raises(AssertionError):
        test_q_m03_a_glucose_infusion_that_is_stopped_is_the_order_in_hand()


@pytest.mark.parametrize(
    ("draft", "expected"),
    [
        pytest.param(potassium_bag("20", "500", "2", drafted=True), True, id="potassium is for the same problem"),
        pytest.param(order("amoxicillin", drafted=True, route="oral", dose=("500", "mg"), per_day="3"), False, id="an antibacterial is not"),
    ],
)
def test_q_m02_a_critical_rate_that_runs_is_shown_when_the_next_fluid_is_signed(draft: Order, expected: bool) -> None:
    made = judged(result("glucose", "22", age=20), result("potassium", "4.2", age=20), DKA, insulin("20", start=30), draft)
    assert ("insulin dose" in [group.problem for group in made.groups]) is expected


def test_n_10_info_at_an_order_hook_is_no_card() -> None:
    glucose = order("glucose", drafted=True, contents=(("glucose", "50", "g"),), volume="500", rate=("125", "mL/h"))
    made = judged(result("glucose", "9", age=20), result("potassium", "4.2", age=20), DKA, insulin("5.5", drafted=True), glucose)
    assert findings(made)["insulin-rate-out-of-range"].indicator == "info"
    assert "insulin dose" not in [group.problem for group in made.groups]


# What is offered ---------------------------------------------------------------------------------------------------------------------


def changes(held: Chart) -> dict[str, Change]:
    """Code to its first offered change that is not a test."""
    found = offers(held, assess(held, NO_MEMORY, knowledge()), knowledge())
    return {change.code: change for kept in found.by_problem.values() for change in reversed(kept) if change.kind != "test"}


def test_hz_37_the_offered_glucose_ends_the_card_that_offers_it() -> None:
    held = made(result("glucose", "10", age=20), result("potassium", "4.2", age=20), DKA, insulin("3", start=120), hook="patient-view")
    offer = changes(held)["dextrose-needed-with-insulin"].order
    assert offer is not None and [str(i.strength.text) for i in offer.ingredients if i.strength is not None] == ["50 g"]
    after = assess(replace(held, orders=(*held.orders, offer)), NO_MEMORY, knowledge())
    assert "dextrose-needed-with-insulin" not in findings(after)


def test_hz_18_basal_insulin_is_offered_for_the_weight_rounded_down() -> None:
    """17 units for 70 kg: half of 0.5 unit/kg, 17.5, rounded down (Umpierrez 2024; worked by hand)."""
    over = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("glucose", "9", age=20), result("potassium", "4.2", age=20))
    held = made(*over, result("creatinine", "70", "umol/L", age=300), DKA, insulin("3", start=600), hook="patient-view", weight="70")
    offer = changes(held)["subcutaneous-transition-dose"].order
    assert offer is not None and offer.drugs == ("insulin_glargine",)
    dose = offer.dosages[0].dose
    assert dose is not None and dose.value.exact == Decimal(17) and offer.dosages[0].route == "subcutaneous"


def test_hz_19_with_unknown_kidneys_the_lower_dose_is_offered() -> None:
    """10 units for 70 kg: half of 0.3 unit/kg, 10.5, rounded down."""
    over = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("glucose", "9", age=20), result("potassium", "4.2", age=20))
    held = made(*over, DKA, insulin("3", start=600), hook="patient-view", weight="70")
    offer = changes(held)["subcutaneous-transition-dose"].order
    assert offer is not None and offer.dosages[0].dose is not None and offer.dosages[0].dose.value.exact == Decimal(10)


def test_hz_17_nothing_is_offered_to_a_child_whose_crisis_is_over() -> None:
    over = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("bicarbonate", "22", age=20), result("glucose", "9", age=20))
    held = made(*over, result("potassium", "4.2", age=20), DKA, insulin("2", start=600), hook="patient-view", weight="25", years=8)
    assert "subcutaneous-transition-dose" not in changes(held)


def test_hz_36_nobody_is_told_to_withdraw_insulin_as_the_recommended_way() -> None:
    held = made(result("glucose", "22", age=20), result("potassium", "4.2", age=20), DKA, insulin("20", drafted=True))
    change = changes(held)["insulin-rate-out-of-range"]
    assert change.kind == "withdraw" and not change.recommended


# Where guidelines differ -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "glucose", "fires", "prints"),
    [
        ("", "12.0", True, True), ("us-2009", "12.0", False, False), ("us-2009", "11.0", True, False), ("", "11.0", True, False), ("uk-2023", "13.9", True, True),
        ("", "13.9", False, False),
    ],
)  # fmt: skip
def test_hz_25_glucose_between_the_guidelines_prints_every_figure(profile: str, glucose: str, fires: bool, prints: bool) -> None:
    """Added below 13.9 (Umpierrez 2024), 14.0 (JBDS 2023), 11.1 mmol/L (Kitabchi 2009)."""
    made = judged(result("glucose", glucose, age=20), result("potassium", "4.2", age=20), DKA, insulin("6.8", drafted=True), profile=profile)
    found = findings(made)
    assert ("dextrose-needed-with-insulin" in found) is fires
    if fires:
        text = " ".join(found["dextrose-needed-with-insulin"].branch.words.differs)
        assert all(figure in text for figure in ("13.9", "14", "11.1")) is prints


# Sums and orders in parts ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("parts", [1, 2, 3, 4, 5])
def test_hz_38_a_rate_in_parts_is_judged_as_the_whole(parts: int) -> None:
    each = f"{Decimal('15') / parts:f}"
    made = judged(result("glucose", "22", age=20), result("potassium", "4.2", age=20), DKA, *(insulin(each, drafted=True) for _ in range(parts)))
    assert findings(made)["insulin-rate-out-of-range"].indicator == "critical"


def test_control_hz_38_each_part_alone_is_in_range() -> None:
    made = judged(result("glucose", "22", age=20), result("potassium", "4.2", age=20), DKA, insulin("5", drafted=True))
    assert "insulin-rate-out-of-range" not in findings(made)


def test_hz_13_the_administration_record_says_when_basal_insulin_was_given() -> None:
    """An order without a start; the dose on the record is 3 h old and covers the stop."""
    basal = order("insulin_glargine", route="subcutaneous", dose=("20", "[iU]"), per_day="1")
    things = (result("beta_hydroxybutyrate", "0.3", age=20), result("ph", "7.38", age=20), result("glucose", "9", age=20), result("potassium", "4.2", age=20), DKA, TYPE_1)
    covered = judged(*things, *stop(insulin("3", start=600)), basal, given(("insulin_glargine",), 180, of=basal), hook="order-sign")
    assert "insulin-stop-without-overlap" not in findings(covered)
    late = judged(*things, *stop(insulin("3", start=600)), basal, given(("insulin_glargine",), 20, of=basal), hook="order-sign")
    assert findings(late)["insulin-stop-without-overlap"].indicator == "critical"


