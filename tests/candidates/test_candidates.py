"""Suggestions: each is judged before it is offered, none raises a danger of its own, and none takes a life-saving drug away unasked (F-40, F-50, HZ-34, HZ-37)."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from cds import candidates as module
from cds.advisory import Advisory, Amend, Branch, Give, Measure, Proposal, Trigger, Withdraw, Words
from cds.candidates import Change, Offers, offers
from cds.chart import Chart, Order
from cds.knowledge import Knowledge
from cds.logic.criteria import Above, AllOf, OrderFilter, OrderIs, Total
from cds.orders.reading import read_order
from cds.parameters import ParameterSet
from tests.assess.making import A5, A6, B3, advisory, judged, knowledge_of, potassium_below
from tests.logic.scenes import chart, dosage, ingredient, limit, order, parameters, result

LOW = result("potassium", "3.1")


def draft(*parts: Any, ref: str = "d", **more: Any) -> Order:
    return order(*parts, ref=f"MedicationRequest/{ref}", drafted=True, **{"doses": (dosage(dose="1000 mL", rate="500 mL/h"),), **more})


def bag(ref: str = "d", rate: str = "500 mL/h", *, drafted: bool = True) -> Order:
    made = draft(ingredient("potassium_chloride", "40 mmol / 1000 mL"), ref=ref, doses=(dosage(dose="1000 mL", rate=rate),))
    return made if drafted else replace(made, drafted=False, status="active")


def give(amount: str = "20", volume: str = "500", hours: str = "2", label: str = "") -> Give:
    return Give(
        label or f"Add potassium {amount} mmol", "potassium_chloride", limit(amount, "mmol"), "mmol", "sodium_chloride", limit(volume, "mL"), limit(hours, "h"),
    )  # fmt: skip


def proposing(*proposals: Proposal, code: str = B3) -> Any:
    """Potassium below 3.5 proposes these; and the sum of potassium may not exceed 10 mmol/h (warning) or 20 (critical)."""

    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        fast = OrderFilter(("potassium_salt",), "either", "intravenous")
        trigger = Trigger((("drafted:potassium_salt", "running:potassium_salt"),))
        return (
            advisory(code, Branch("low", potassium_below("low", p), "critical", Words("Low"), proposals)),
            advisory(
                "hyperkalaemia", Branch("very fast", Above(Total("potassium"), limit("20", "mmol/h")), "critical", Words("Fast")),
                Branch("fast", Above(Total("potassium"), limit("10", "mmol/h")), "warning", Words("Fast")),
                kind="order", over=fast, trigger=trigger, always=(),
            ),
        )  # fmt: skip

    return knowledge_of(made)


def offered(held: Chart, knowledge: Knowledge, **more: Any) -> Offers:
    return offers(held, judged(held, knowledge), knowledge, **more)


def changes(held: Chart, knowledge: Knowledge, **more: Any) -> list[Change]:
    return [change for each in offered(held, knowledge, **more).by_problem.values() for change in each]


# Judged before it is offered -----------------------------------------------------------------------------------------------------------


def test_f_50_a_new_order_that_breaks_no_limit_is_offered() -> None:
    (change,) = changes(chart(LOW), proposing(give()))
    assert (change.kind, change.rate_ml_h, change.recommended) == ("new order", Decimal(250), False)
    assert change.order is not None
    dose = read_order(change.order, weight_kg=None, p=parameters().for_population("adult")).substance("potassium")
    assert dose is not None and dose.per_hour is not None and dose.per_hour.exact == Decimal(10)


def dangerous(held: Chart, knowledge: Knowledge) -> list[str]:
    """Offered new orders."""
    return [change.label for change in changes(held, knowledge) if change.order is not None]


TOO_FAST = proposing(give(amount="60"))


def test_hz_37_a_suggestion_that_raises_a_new_finding_is_dropped_with_its_reason() -> None:
    assert dangerous(chart(LOW), TOO_FAST) == []
    (dropped,) = offered(chart(LOW), TOO_FAST).dropped
    assert dropped.reason == "it would raise 'hyperkalaemia' (critical)"


def test_control_hz_37_a_suggestion_that_nobody_judges_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_objection", lambda *_: "")
    with pytest.raises(AssertionError):
        assert dangerous(chart(LOW), TOO_FAST) == []


def test_hz_38_it_is_judged_with_everything_that_runs() -> None:
    """10 mmol/h alone is allowed; beside a bag that runs it is too much."""
    assert dangerous(chart(LOW, bag("r", "150 mL/h", drafted=False)), proposing(give())) == []
    assert dangerous(chart(LOW), proposing(give())) == ["Add potassium 20 mmol"]


def test_a_finding_that_becomes_worse_drops_it_too() -> None:
    """The running bag has a warning of its own; with the new one it would be critical."""
    held = chart(LOW, bag("r", "300 mL/h", drafted=False))
    (dropped,) = offered(held, proposing(give())).dropped
    assert "hyperkalaemia" in dropped.reason


def test_at_most_six_are_judged_in_a_call() -> None:
    many = tuple(give(label=f"Add potassium 20 mmol, bag {n}") for n in range(8))
    made = offered(chart(LOW), proposing(*many))
    assert sum(c.order is not None for each in made.by_problem.values() for c in each) == module.MOST
    assert [d.reason for d in made.dropped] == ["not judged: too many suggestions in one call"] * 2


def test_hz_32_what_breaks_is_not_offered_and_the_others_are(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: Any) -> Any:
        raise KeyError("no such fluid")

    monkeypatch.setattr(module, "given", breaks)
    made = offered(chart(LOW), proposing(give(label="Broken, 20 mmol"), Measure("magnesium", "Measure magnesium")))
    assert [c.kind for c in made.by_problem[B3]] == ["test"]
    assert [(d.label, d.reason) for d in made.dropped] == [("Broken, 20 mmol", "could not be worked out (KeyError)")]


def test_hz_17_without_a_figure_for_this_age_nothing_is_proposed() -> None:
    from tests.logic.scenes import no_figure

    assert changes(chart(LOW), proposing(replace(give(), amount=no_figure()))) == []


# Tests -------------------------------------------------------------------------------------------------------------------------------


def test_a_test_that_is_drafted_already_is_not_offered_again() -> None:
    knowledge = proposing(Measure("potassium", "Measure it"), Measure("magnesium", "Measure magnesium"))
    assert [c.analyte for c in changes(chart(LOW), knowledge)] == ["potassium", "magnesium"]
    assert [c.analyte for c in changes(chart(LOW), knowledge, tests_ordered=("potassium",))] == ["magnesium"]


def test_a_test_that_is_known_already_is_not_offered() -> None:
    knowledge = proposing(Measure("magnesium", "Measure magnesium", unless_within=limit("1440", "min")))
    assert changes(chart(LOW, result("magnesium", "0.8", 60)), knowledge) == []
    assert changes(chart(LOW, result("magnesium", "0.8", 1500)), knowledge)


def test_the_same_test_is_offered_once_on_a_card() -> None:
    assert len(changes(chart(LOW), proposing(Measure("potassium", "a"), Measure("potassium", "b")))) == 1


# Withdrawing -------------------------------------------------------------------------------------------------------------------------


def withdrawing(cls: str) -> Knowledge:
    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        when = AllOf((OrderIs("drafted"), potassium_below("low", p)))
        return (
            advisory(
                A6, Branch("low", when, "critical", Words("Low"), (Withdraw("Take it out", recommended=True),)), kind="order",
                over=OrderFilter((cls,), "either"), always=(),
            ),
        )  # fmt: skip

    return knowledge_of(made)


LIFE_SAVING = ("insulin_soluble", "levetiracetam", "diazepam", "meropenem", "glucose", "calcium_gluconate", "magnesium_sulfate")


def recommended(drugs: tuple[str, ...]) -> list[str]:
    """Drugs whose withdrawal would be ticked already."""
    found = []
    for drug in drugs:
        for change in changes(chart(LOW, draft(ingredient(drug))), withdrawing(drug)):
            assert change.kind == "withdraw"
            if change.recommended:
                found.append(drug)
    return found


def test_hz_34_hz_36_withdrawing_a_life_saving_drug_is_never_recommended() -> None:
    assert recommended(LIFE_SAVING) == []


def test_another_drug_may_be() -> None:
    assert recommended(("empagliflozin",)) == ["empagliflozin"]


def test_control_hz_34_without_the_list_it_would_be(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_NEVER_RECOMMENDED", frozenset())
    with pytest.raises(AssertionError):
        assert recommended(LIFE_SAVING) == []


def test_f_40_a_running_order_is_stopped_and_a_draft_is_taken_out() -> None:
    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        low = Branch("low", potassium_below("low", p), "critical", Words("Low"), (Withdraw("Stop it"),))
        return (advisory(A6, low, kind="order", over=OrderFilter(("empagliflozin",), "either"), always=("critical",)),)

    running = replace(draft(ingredient("empagliflozin")), drafted=False, status="active")
    assert [c.kind for c in changes(chart(LOW, running), knowledge_of(made))] == ["stop"]
    assert [c.kind for c in changes(chart(LOW, draft(ingredient("empagliflozin"))), knowledge_of(made))] == ["withdraw"]


# Amending ----------------------------------------------------------------------------------------------------------------------------


def slowing() -> Knowledge:
    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        slower = Amend("Slow this bag", substance="potassium", per_hour=limit("10", "mmol/h"))
        fast = Branch("fast", Above(Total("potassium"), limit("10", "mmol/h")), "warning", Words("Fast"), (slower,))
        return (advisory(A6, fast, kind="order", over=OrderFilter(("potassium_salt",), "either", "intravenous"), trigger=Trigger((("drafted:potassium_salt",),))),)

    return knowledge_of(made)


@pytest.mark.parametrize(("running", "rate"), [(None, "250"), ("100 mL/h", "150")])
def test_slowing_brings_the_sum_down_to_the_limit(running: str | None, rate: str) -> None:
    beside = () if running is None else (bag("r", running, drafted=False),)
    found = [c for c in changes(chart(bag(), *beside), slowing()) if c.target == "MedicationRequest/d"]
    assert [(c.kind, c.rate_ml_h) for c in found] == [("amend", Decimal(rate))]
    assert f"{rate} mL/h" in found[0].label


def test_slowing_is_not_offered_where_it_would_not_help() -> None:
    assert [c for c in changes(chart(bag(), bag("r", "400 mL/h", drafted=False)), slowing()) if c.kind == "amend"] == []


def test_slowing_an_order_of_several_dosages_is_left_to_the_prescriber() -> None:
    two = replace(bag(), dosages=(*bag().dosages, *bag().dosages))
    assert [c for c in changes(chart(two), slowing()) if c.kind == "amend"] == []


def test_another_diluent_changes_the_diluent_alone() -> None:
    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        from cds.logic.criteria import OrderHas

        wrong = AllOf((OrderIs("drafted"), OrderHas(("glucose_fluid",), "diluent")))
        change = Branch("glucose", wrong, "critical", Words("Wrong diluent"), (Amend("Use saline", diluent="sodium_chloride"),))
        return (advisory(A5, change, kind="order", over=OrderFilter(("phenytoin",), "either")),)

    held = draft(ingredient("phenytoin", "1000 mg / 250 mL"), ingredient("glucose", "250 mL / 250 mL", active=False))
    (change,) = changes(chart(held), knowledge_of(made))
    assert change.order is not None and change.diluent == "sodium_chloride"
    assert [(i.drug, i.active) for i in change.order.ingredients] == [("phenytoin", True), ("sodium_chloride", False)]
    assert change.order.ingredients[0] == held.ingredients[0] and change.order.dosages[0].rate == held.dosages[0].rate


def test_only_what_the_change_may_set_off_is_judged() -> None:
    """A code whose trigger names no drug of the new order is not asked again."""
    seen: list[frozenset[str] | None] = []
    real = module.assess

    def counting(*args: Any, **more: Any) -> Any:
        seen.append(more.get("only"))
        return real(*args, **more)

    module.assess = counting
    try:
        changes(chart(LOW), proposing(give()))
    finally:
        module.assess = real
    assert seen == [frozenset({"hyperkalaemia"})]


def test_offers_are_the_same_twice() -> None:
    held = chart(LOW, bag("r", "100 mL/h", drafted=False))
    assert offered(held, proposing(give())) == offered(held, proposing(give()))
