"""Anti-seizure medicines over time, eclampsia and special seizures: what is offered, both figures where texts differ, what is silenced, never delayed, and controls."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from cds.advisory import Advisory, Assessment, Finding, Outcome
from cds.assess import Knowledge, assess
from cds.candidates import Change, offers
from cds.cards.words import fill
from cds.chart import NO_MEMORY, Chart, Investigation
from cds.knowledge import join, population_of
from cds.logic.criteria import Not, OrderIs, State
from cds.parameters import ParameterSet
from cds.parameters.figures import POPULATIONS
from cds.topics import TOPICS
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge, parameters, rows

ECLAMPSIA = condition("eclampsia", onset=10)
FAILING = (result("creatinine", "3.34", "mg/dL", age=300),)


def made(*things: object, hook: str = "", years: int = 60, weight: str = "90", sex: str = "male") -> Chart:
    return chart(*things, hook=hook, years=years, weight=weight, sex=sex)  # type: ignore[arg-type]


def findings(assessment: Assessment) -> dict[str, Finding]:
    """Code to finding, on a card, a line of one, or folded."""
    shown = {finding.code: finding for group in assessment.groups for finding in group.findings}
    return {finding.code: finding for finding in assessment.folded} | shown


def changes(held: Chart, code: str, profile: str = "") -> list[Change]:
    """What is offered for one code."""
    known = knowledge(profile)
    found = offers(held, assess(held, NO_MEMORY, known), known).by_problem
    return [change for each in found.values() for change in each if change.code == code]


def said(held: Chart, code: str, profile: str = "") -> str:
    """All words of a code's card."""
    assessment = assess(held, NO_MEMORY, knowledge(profile))
    finding = findings(assessment)[code]
    p = knowledge(profile).population(assessment.population).p
    words = finding.branch.words
    return "\n".join(fill(text, finding.facts, p, "the order", markdown=False) for text in (words.summary, *words.found, *words.do, *words.cautions, *words.differs))


def changed(code: str, how: object) -> Knowledge:
    """The knowledge with one advisory changed."""

    def advisories(p: ParameterSet) -> Iterator[Advisory]:
        for each in (each for topic in TOPICS for each in topic.advisories(p)):
            yield how(each) if each.code == code else each  # type: ignore[operator]

    figures = parameters()
    adult, child = (population_of(name, figures, advisories(figures.for_population(name))) for name in POPULATIONS)
    return join(figures, adult, child, version="1")


# What is offered ---------------------------------------------------------------------------------------------------------------------


def test_hz_37_the_corrected_levetiracetam_is_the_labels_row_and_ends_the_card() -> None:
    """US label, table 16: 500 mg every 12 h below 30 mL/min."""
    held = made(*FAILING, order("levetiracetam", drafted=True, dose=("1500", "mg"), per_day="2", route="oral"))
    (offer,) = changes(held, "asm-renal-adjustment")
    assert offer.kind == "amend"
    assert offer.order is not None and offer.order.dosages[0].dose is not None and offer.order.dosages[0].dose.value.exact == Decimal(500)
    after = assess(replace(held, orders=(offer.order,)), NO_MEMORY, knowledge())
    assert "asm-renal-adjustment" not in findings(after)


@pytest.mark.parametrize(("profile", "minutes"), [("", 15), ("uk", 15), ("acog", 20)])
def test_hz_36_the_magnesium_load_is_offered_and_ends_the_card(profile: str, minutes: int) -> None:
    """UK product information: 4 g over 5 to 15 min; ACOG Practice Bulletin 222 (2020): over 20 to 30 min."""
    held = made(ECLAMPSIA, hook="patient-view", years=30, weight="70", sex="female")
    (offer,) = changes(held, "eclampsia-magnesium-first", profile)
    assert offer.order is not None
    dose, time = offer.order.dosages[0].dose, offer.order.dosages[0].duration_minutes
    assert dose is not None and (dose.value.exact, dose.unit) == (Decimal(4), "g")
    assert time is not None and time.exact == Decimal(minutes)
    after = assess(replace(held, orders=(offer.order,), hook="order-sign"), NO_MEMORY, knowledge(profile))
    assert "eclampsia-magnesium-first" not in findings(after) and "asm-infusion-rate-check" not in findings(after)


@pytest.mark.parametrize(("years", "weight", "dose"), [(30, "70", "5 g"), (8, "25", "1750 mg"), (15, "80", "5000 mg")])
def test_hz_17_pyridoxine_is_offered_by_weight_to_a_child_and_never_above_five_grams(years: int, weight: str, dose: str) -> None:
    """Poisons-centre practice, from memory: 70 mg/kg, at most 5 g."""
    held = made(condition("status_epilepticus", onset=30), condition("poisoning_isoniazid"), hook="patient-view", years=years, weight=weight)
    (offer,) = changes(held, "pyridoxine-responsive-seizure")
    assert offer.order is not None and offer.order.dosages[0].dose is not None
    assert offer.order.dosages[0].dose.text == dose


def test_hz_18_without_a_weight_no_pyridoxine_dose_is_offered_to_a_child() -> None:
    held = chart(condition("status_epilepticus", onset=30), condition("poisoning_isoniazid"), hook="patient-view", years=8, weight=None)
    assert "pyridoxine-responsive-seizure" in findings(assess(held, NO_MEMORY, knowledge()))
    assert changes(held, "pyridoxine-responsive-seizure") == []


# Both figures ------------------------------------------------------------------------------------------------------------------------


def test_hz_25_both_phenytoin_results_and_every_limit_stand_on_the_card() -> None:
    """8 mg/L at albumin 20 g/L: 16 by the usual form, 26.7 by that for kidney failure (Sheiner and Tozer 1978); texts part at 10, 20 and 25 mL/min."""
    held = made(result("phenytoin_total", "8", age=300), result("albumin", "20", age=600), result("creatinine", "5", "mg/dL", age=300), hook="patient-view")
    text = said(held, "asm-level-out-of-range")
    for figure in ("16 mg/L", "26.7 mg/L", "10 mL/min", "20 mL/min", "25 mL/min"):
        assert figure in text, text


@pytest.mark.parametrize("profile", ["", "acog"])
def test_hz_25_both_magnesium_regimens_stand_on_the_card(profile: str) -> None:
    text = said(made(ECLAMPSIA, hook="patient-view", years=30, weight="70", sex="female"), "eclampsia-magnesium-first", profile)
    for figure in ("4 g", "5 to 15 min", "1 g/h", "6 g", "20 min", "2 g/h"):
        assert figure in text, text


# Silenced, satisfied, never delayed ----------------------------------------------------------------------------------------------------


def test_hz_35_a_level_ordered_in_this_call_silences_its_absence() -> None:
    held = made(condition("seizure", onset=60), order("phenytoin", home=True, route="oral"), order("levetiracetam", drafted=True, dose=("500", "mg"), per_day="2"))
    assert "asm-level-missing-after-breakthrough" in findings(assess(held, NO_MEMORY, knowledge()))
    drafted = Investigation("ServiceRequest/1", ("phenytoin_total",), True, "draft", "phenytoin")
    assert "asm-level-missing-after-breakthrough" not in findings(assess(replace(held, investigations=(drafted,)), NO_MEMORY, knowledge()))


def test_hz_36_eclampsia_leaves_the_benzodiazepine_alone() -> None:
    """The finding is the missing magnesium: no suggestion takes the benzodiazepine out, and the words say to give both (F-19)."""
    held = made(ECLAMPSIA, order("lorazepam", drafted=True, dose=("4", "mg"), push=True), years=30, weight="70", sex="female")
    assert {change.kind for change in changes(held, "eclampsia-magnesium-first")} == {"new order"}
    assert "give both" in said(held, "eclampsia-magnesium-first")


def test_hz_36_no_critical_card_asks_to_withdraw_a_medicine_of_a_seizure() -> None:
    codes = {"abrupt-asm-stop", "eclampsia-magnesium-first", "pyridoxine-responsive-seizure", "valproate-hyperammonaemia", "propofol-infusion-risk", "asm-level-out-of-range"}
    for topic in TOPICS:
        for advisory in topic.advisories(parameters().for_population("adult")):
            if advisory.code in codes:
                assert not [b.name for b in advisory.branches for offered in b.proposals if type(offered).__name__ == "Withdraw"]


def test_hz_53_nothing_of_this_speaks_for_a_neonate() -> None:
    held = chart(condition("seizure", onset=30), result("gcs", "8", age=10), order("valproate", home=True, route="oral"), hook="patient-view", years=None, days=20, weight="4")
    made_ = assess(held, NO_MEMORY, knowledge())
    for code in ("pyridoxine-responsive-seizure", "nonconvulsive-seizure-suspected", "valproate-hyperammonaemia", "asm-level-missing-after-breakthrough"):
        assert made_.verdict(code).outcome in (Outcome.OUT_OF_SCOPE, Outcome.SWITCHED_OFF)


# Controls ----------------------------------------------------------------------------------------------------------------------------


def _row(table: str, case: str) -> Chart:
    return next(row for row in rows(table) if row.name.endswith(f": {case}")).chart()


def _judged(held: Chart, known: Knowledge, code: str) -> Outcome:
    return assess(held, NO_MEMORY, known, only=frozenset((code,))).verdict(code).outcome


def test_control_what_a_draft_replaces_is_spared_by_the_quiet_clause() -> None:
    """With the clause off, the running order that a right draft replaces speaks although nothing is wrong with what will be given."""
    code = "asm-renal-adjustment"
    loud = changed(code, lambda advisory: replace(advisory, quiet=OrderIs("one-off")))
    held = _row("anti_seizure_kidney.md", "running, replaced by a right draft")
    assert _judged(held, knowledge(), code) is Outcome.NOT_MET
    with pytest.raises(AssertionError):
        assert _judged(held, loud, code) is Outcome.NOT_MET


def test_control_hz_36_eclampsia_is_shown_at_every_order_because_it_says_so() -> None:
    code = "eclampsia-magnesium-first"
    held = _row("eclampsia.md", "hz_36 another order signed")
    shy = changed(code, lambda advisory: replace(advisory, always=()))
    assert code in findings(assess(held, NO_MEMORY, knowledge()))
    with pytest.raises(AssertionError):
        assert code in findings(assess(held, NO_MEMORY, shy))


def test_control_a_level_drawn_too_early_is_held_back_by_its_state() -> None:
    code = "asm-level-out-of-range"
    held = _row("anti_seizure_level.md", "119 min after a load")

    def without(advisory: Advisory) -> Advisory:
        return replace(advisory, branches=tuple(replace(branch, when=_drop(branch.when)) for branch in advisory.branches))

    assert _judged(held, knowledge(), code) is Outcome.NOT_MET
    with pytest.raises(AssertionError):
        assert _judged(held, changed(code, without), code) is Outcome.NOT_MET


def _drop(criterion: Any) -> Any:
    """The criterion without its "not drawn too early"."""
    parts = getattr(criterion, "parts", None)
    if not parts:
        return criterion
    early = {Not(State(f"{name} level too early")) for name in ("phenytoin", "valproate", "phenobarbital")}
    return type(criterion)(tuple(_drop(part) for part in parts if part not in early))


def test_control_pyridoxine_that_is_drafted_silences_by_its_clause() -> None:
    code = "pyridoxine-responsive-seizure"
    held = _row("special_seizures.md", "pyridoxine drafted")
    assert _judged(held, knowledge(), code) is Outcome.ALREADY_SATISFIED
    with pytest.raises(AssertionError):
        assert _judged(held, changed(code, lambda advisory: replace(advisory, satisfied=None)), code) is Outcome.ALREADY_SATISFIED
