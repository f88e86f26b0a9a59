"""Judging: age, triggers, orders, what breaks, and what a switched-off code leaves behind (C-08, F-20, HZ-17, HZ-32)."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest

from cds.advisory import Advisory, Outcome, Trigger
from cds.assess import assess, fires_as
from cds.chart import NO_MEMORY, Chart, Feed, Patient
from cds.knowledge import Knowledge
from cds.logic.compare import KnowledgeError
from cds.logic.criteria import Below, HasOrder, Latest, Not, OrderFilter, State
from cds.logic.scene import Scene, StateDef, StateValue
from cds.parameters import ParameterSet
from tests.assess.making import A1, A5, A6, A7, B3, advisory, branch, insulin, judged, knowledge_of, outcomes, over_drafts, potassium_below
from tests.logic.scenes import NOW, chart, dosage, ingredient, order, result

TODAY = dt.datetime.fromtimestamp(NOW / 1000, dt.UTC).date()


def born(years: int, days: int = 0) -> Patient:
    """A patient who turned so many years old so many days ago."""
    day = TODAY.replace(year=TODAY.year - years) - dt.timedelta(days=days)
    return Patient("female", (day, day))


# Age ---------------------------------------------------------------------------------------------------------------------------------


def apart(p: ParameterSet) -> tuple[Advisory, ...]:
    """Adults: potassium below 3.5; children: below 3.0 (a dose code without figures for an unknown age)."""
    return (over_drafts(p, key="apart", without_age=False), advisory(A5, branch("low", potassium_below("apart", p), "critical"), hooks=("order-sign",)))


@pytest.mark.parametrize(
    ("patient", "population"),
    [(born(18), "adult"), (born(18, -1), "child"), (born(18, 1), "adult"), (born(17, 300), "child"), (born(70), "adult"), (born(1), "child")],
)
def test_hz_17_the_day_of_the_eighteenth_birthday_is_adult(patient: Patient, population: str) -> None:
    made = judged(chart(insulin(), result("potassium", "3.2"), patient=patient), knowledge_of(apart))
    assert made.population == population and made.age_known


def fired_for_a_child(knowledge: Knowledge) -> list[str]:
    """Codes that fire in a child of ten at a potassium that is low for adults only."""
    made = judged(chart(insulin(), result("potassium", "3.2"), patient=born(10)), knowledge)
    return [code for code, outcome in outcomes(made).items() if outcome == "fired"]


def test_hz_17_no_adult_figure_reaches_a_child() -> None:
    assert fired_for_a_child(knowledge_of(apart)) == []


def test_control_hz_17_a_child_judged_by_adult_figures_is_noticed() -> None:
    made = knowledge_of(apart)
    with pytest.raises(AssertionError):
        assert fired_for_a_child(replace(made, child=replace(made.adult, name="child"))) == []


def test_hz_17_a_key_without_a_child_row_is_out_of_scope_in_a_child() -> None:
    def adults_only(p: ParameterSet) -> tuple[Advisory, ...]:
        from tests.logic.scenes import no_figure

        held = p["low"] if p.population == "adult" else no_figure("low")
        return (advisory(A5, branch("low", Below(Latest("potassium", p["age"]), held), "critical")),)

    made = judged(chart(result("potassium", "2.0"), patient=born(10)), knowledge_of(adults_only))
    assert made.verdicts[0].outcome is Outcome.OUT_OF_SCOPE and "no figure" in made.verdicts[0].why


UNKNOWN_AGE = Patient("female", None)
AROUND_18 = Patient("female", (dt.date(TODAY.year - 18, 1, 1), dt.date(TODAY.year - 18, 12, 31)))


@pytest.mark.parametrize("patient", [UNKNOWN_AGE, AROUND_18], ids=["none", "year only"])
def test_c_08_age_unknown_dose_codes_wait_and_result_codes_use_adult_figures(patient: Patient) -> None:
    made = judged(chart(insulin(), result("potassium", "3.2"), patient=patient), knowledge_of(apart))
    assert not made.age_known and made.population == "adult"
    assert outcomes(made) == {A6: "unknown", A5: "fired"}
    assert made.verdict(A6).gaps[0].item == "age" and made.verdict(A6).would_be == "critical"


def test_c_08_a_dose_code_that_no_figures_would_fire_does_not_wait() -> None:
    made = judged(chart(insulin(), result("potassium", "4.0"), patient=UNKNOWN_AGE), knowledge_of(apart))
    assert outcomes(made)[A6] == "not_met"


def test_c_08_a_partial_birth_date_that_settles_it_is_known() -> None:
    year = Patient("female", (dt.date(1960, 1, 1), dt.date(1960, 12, 31)))
    assert judged(chart(patient=year), knowledge_of(apart)).age_known


def with_neonate_code(p: ParameterSet) -> tuple[Advisory, ...]:
    low = branch("low", potassium_below("low", p), "critical")
    return (advisory(A5, low, neonate=True), advisory(A1, low))


@pytest.mark.parametrize(("days", "neonate"), [(0, True), (27, True), (28, True), (29, False)])
def test_f_20_hz_53_under_28_days_only_the_codes_for_it(days: int, neonate: bool) -> None:
    day = TODAY - dt.timedelta(days=days)
    made = judged(chart(result("potassium", "2.0"), patient=Patient("female", (day, day))), knowledge_of(with_neonate_code))
    assert made.neonate is neonate
    assert outcomes(made) == {A5: "fired", A1: "out_of_scope" if neonate else "fired"}


# Orders ------------------------------------------------------------------------------------------------------------------------------


def test_f_29_each_order_is_judged_by_itself() -> None:
    made = judged(chart(insulin("a"), insulin("b"), result("potassium", "3.2")), knowledge_of(lambda p: (over_drafts(p),)))
    assert [f.order for f in made.verdicts[0].findings] == ["MedicationRequest/a", "MedicationRequest/b"]
    group = made.groups[0]
    assert (group.lead.order, [f.order for f in group.more]) == ("MedicationRequest/a", ["MedicationRequest/b"])


def test_a_draft_and_the_order_that_it_changes_may_carry_one_id() -> None:
    """The draft's own rate is judged, not that of the running order with the same id."""
    from cds.logic.criteria import Above, OfOrder
    from tests.logic.scenes import limit

    def fast(p: ParameterSet) -> tuple[Advisory, ...]:
        over = OrderFilter(("insulin",), "either", "intravenous")
        return (advisory(A6, branch("fast", Above(OfOrder("per_hour", "insulin"), limit("10", "[iU]/h")), "critical"), kind="order", over=over),)

    held = chart(insulin("x", drafted=False, rate="6 mL/h"), insulin("x", rate="12 mL/h"))
    assert outcomes(judged(held, knowledge_of(fast))) == {A6: "fired"}
    assert outcomes(judged(chart(insulin("x", drafted=False, rate="12 mL/h"), insulin("x", rate="6 mL/h")), knowledge_of(fast))) == {A6: "not_met"}


def test_hz_07_hz_14_a_list_that_failed_may_hide_such_an_order() -> None:
    def on_running(p: ParameterSet) -> tuple[Advisory, ...]:
        return (over_drafts(p, code=A7), replace(over_drafts(p), over=OrderFilter(("insulin",), "drafted")))

    made = judged(chart(result("potassium", "3.2"), feeds={"medications": Feed.FAILED}, hook="patient-view"), knowledge_of(on_running))
    assert outcomes(made) == {A7: "unknown", A6: "not_applicable"}
    assert made.verdict(A7).gaps[0].item == "medications"
    whole = judged(chart(result("potassium", "3.2"), hook="patient-view"), knowledge_of(on_running))
    assert outcomes(whole) == {A7: "not_applicable", A6: "not_applicable"}


def test_a_route_that_is_not_stated_is_a_question() -> None:
    blind = order(ingredient("insulin_soluble"), ref="MedicationRequest/q", drafted=True, doses=(dosage(route=None, route_stated=False),))
    made = judged(chart(blind, result("potassium", "3.2")), knowledge_of(lambda p: (over_drafts(p),)))
    verdict = made.verdicts[0]
    assert verdict.outcome is Outcome.UNKNOWN and "route" in verdict.gaps[0].item and verdict.orders == ("MedicationRequest/q",)


def test_already_satisfied_is_not_not_met() -> None:
    def missing(p: ParameterSet) -> tuple[Advisory, ...]:
        some = HasOrder(OrderFilter(("potassium_salt",)))
        return (advisory(B3, branch("low", potassium_below("low", p), "warning"), satisfied=some, quiet=State("dialysis")),)

    states = {"dialysis": StateDef("dialysis", "", Not(Not(HasOrder(OrderFilter(("furosemide",))))))}
    knowledge = knowledge_of(missing, states)
    bag = order(ingredient("potassium_chloride", "40 mmol / 1000 mL"), ref="MedicationRequest/k", doses=(dosage(dose="1000 mL", rate="100 mL/h"),))
    water = order(ingredient("furosemide"), ref="MedicationRequest/f", doses=(dosage(),))
    low = result("potassium", "3.2")
    assert outcomes(judged(chart(low), knowledge)) == {B3: "fired"}
    assert outcomes(judged(chart(low, bag), knowledge)) == {B3: "already_satisfied"}
    assert outcomes(judged(chart(low, water), knowledge)) == {B3: "not_met"}


def test_the_first_true_branch_decides_and_the_worse_open_one_is_kept_as_a_gap() -> None:
    def graded(p: ParameterSet) -> tuple[Advisory, ...]:
        return (
            advisory(A5, branch("worse", Below(Latest("magnesium", p["age"]), p["low"]), "critical"), branch("mild", potassium_below("low", p), "warning")),
        )

    verdict = judged(chart(result("potassium", "3.2")), knowledge_of(graded)).verdicts[0]
    assert (verdict.outcome, verdict.why, [g.item for g in verdict.gaps]) == (Outcome.FIRED, "mild", ["magnesium"])


def test_met_1_3_the_number_on_the_card_is_the_one_that_decided() -> None:
    def both(p: ParameterSet) -> tuple[Advisory, ...]:
        item = Latest("potassium", p["age"], p["together"])
        return (advisory(A5, branch("low", Below(item, p["low"]), "critical", "Potassium {k}", facts={"k": item})),)

    held = chart(result("potassium", "3.6", 20), result("potassium", "3.4", 30, method="gas"))
    finding = judged(held, knowledge_of(both)).verdicts[0].findings[0]
    assert finding.facts["k"].text == "3.4 mmol/L"


# What breaks -------------------------------------------------------------------------------------------------------------------------


def one_breaks(p: ParameterSet) -> tuple[Advisory, ...]:
    return (
        advisory(A5, branch("low", State("broken"), "critical")), advisory(A1, branch("low", potassium_below("low", p), "critical")),
        advisory(A7, branch("low", State("broken"), "warning")),
    )  # fmt: skip


def breaks(_: Scene) -> StateValue:
    raise ZeroDivisionError("in a state")


BROKEN = {"broken": StateDef("broken", "", compute=breaks, dates=("onset",))}


def test_hz_32_an_advisory_that_breaks_is_named_and_the_others_go_on() -> None:
    made = judged(chart(result("potassium", "3.2")), knowledge_of(one_breaks, BROKEN))
    assert outcomes(made) == {A5: "unknown", A1: "fired", A7: "unknown"}
    verdict = made.verdict(A5)
    assert verdict.why == "failed" and verdict.would_be == "critical" and "ZeroDivisionError" in verdict.gaps[0].detail
    assert "in a state" not in verdict.gaps[0].detail


def test_control_hz_32_without_the_guard_one_advisory_takes_all(monkeypatch: pytest.MonkeyPatch) -> None:
    from cds import assess as module

    def unguarded(ready: Any, seen: Scene, twin: Any, child: Any, *, interpreted: bool, told: bool) -> Any:
        return module.judge(ready, seen, interpreted=interpreted)

    monkeypatch.setattr(module, "_kept_apart", unguarded)
    with pytest.raises(ZeroDivisionError):
        judged(chart(result("potassium", "3.2")), knowledge_of(one_breaks, BROKEN))


def test_hz_32_facts_that_break_are_caught_too() -> None:
    from cds.logic.criteria import Since

    def words(p: ParameterSet) -> tuple[Advisory, ...]:
        low = potassium_below("low", p)
        return (advisory(A5, branch("low", low, "critical", "Since {s}", facts={"s": Since("onset")})), advisory(A1, branch("low", low, "critical")))

    made = judged(chart(result("potassium", "3.2")), knowledge_of(words, BROKEN))
    assert outcomes(made) == {A5: "unknown", A1: "fired"}


# Triggers and switches ---------------------------------------------------------------------------------------------------------------


def test_f_28_a_trigger_that_is_not_there_is_a_recorded_reason() -> None:
    knowledge = knowledge_of(lambda p: (advisory(A5, branch("low", potassium_below("low", p), "critical"), trigger=Trigger((("analyte:potassium",),))),))
    assert judged(chart(), knowledge).verdicts[0].why == "trigger"
    assert outcomes(judged(chart(result("potassium", "3.2")), knowledge)) == {A5: "fired"}


def test_hz_07_an_unknown_trigger_never_gates() -> None:
    knowledge = knowledge_of(lambda p: (advisory(A5, branch("low", potassium_below("low", p), "critical"), trigger=Trigger((("analyte:potassium",),))),))
    assert outcomes(judged(chart(feeds={"results": Feed.ABSENT}), knowledge)) == {A5: "unknown"}


def test_a_code_that_is_switched_off_is_recorded_as_such() -> None:
    knowledge = knowledge_of(lambda p: (advisory(A5, branch("low", potassium_below("low", p), "critical")),))
    made = judged(chart(result("potassium", "3.2")), knowledge, off=frozenset((A5,)))
    assert outcomes(made) == {A5: "switched_off"} and made.groups == ()


def test_fires_as_needs_the_order_that_the_code_is_about() -> None:
    knowledge = knowledge_of(lambda p: (over_drafts(p),))
    made = judged(chart(insulin(), result("potassium", "3.2")), knowledge)
    ready = knowledge.adult.ready[0]
    assert made.scene is not None
    assert fires_as(ready, made.scene, made.scene.orders.drafts[0]) == "critical"
    with pytest.raises(KnowledgeError, match="none is in hand"):
        fires_as(ready, made.scene, None)


def test_assess_gives_the_same_twice() -> None:
    held: Chart = chart(insulin("a"), insulin("b"), result("potassium", "3.2"))
    knowledge = knowledge_of(lambda p: (over_drafts(p), advisory(A5, branch("low", potassium_below("low", p), "critical"))))
    assert assess(held, NO_MEMORY, knowledge) == assess(held, NO_MEMORY, knowledge)


# What changes between two calls ------------------------------------------------------------------------------------------------------


def test_hz_39_a_result_that_arrives_between_select_and_sign_decides_at_sign() -> None:
    knowledge = knowledge_of(lambda p: (over_drafts(p),))
    before, after = result("potassium", "4.1", 30), result("potassium", "3.1", 1)
    assert outcomes(judged(chart(insulin(), before, hook="order-select"), knowledge)) == {A6: "not_met"}
    assert outcomes(judged(chart(insulin(), before, after), knowledge)) == {A6: "fired"}


@pytest.mark.parametrize(
    ("recorded", "whole", "outcome"),
    [(True, True, "fired"), (False, True, "not_met"), (False, False, "unknown"), (True, False, "fired")],
)
def test_hz_19_unknown_is_not_absent(recorded: bool, whole: bool, outcome: str) -> None:
    from cds.logic.criteria import HasCondition
    from tests.logic.scenes import condition

    knowledge = knowledge_of(lambda p: (advisory(A5, branch("b", HasCondition(("pregnancy",)), "warning")),))
    held = chart(*((condition("pregnancy"),) if recorded else ()), feeds={} if whole else {"conditions": Feed.FAILED}, hook="patient-view")
    assert outcomes(judged(held, knowledge)) == {A5: outcome}
