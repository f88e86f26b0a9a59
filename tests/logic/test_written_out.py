"""B1, D1, A1, C2 and B6 written out as data with small local figures, each passing evaluate, explain, tabulate, flip and why-silent (F-29 to F-33).

Nothing of the shipped topics is used: this is what the closed set of nodes must be able to hold. Figures are local to the test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal

import pytest

from cds.advisory import INDICATORS, Advisory, Branch, Outcome, Trigger, Words
from cds.assess import assess, fires_as
from cds.chart import NO_MEMORY, Chart, Condition, Order, Result
from cds.knowledge import Knowledge, join, population_of
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Between,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderIs,
    Projected,
    Since,
    Slope,
    State,
    TableRow,
    Total,
)
from cds.logic.explain import explain
from cds.logic.flip import Flip, nearest_flip
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.silence import why_silent
from cds.logic.tabulate import tabulate
from cds.logic.truth import FALSE, TRUE
from cds.parameters import ParameterSet
from tests.logic.scenes import chart, condition, dosage, figure, ingredient, order, parameters, result

P = parameters(
    figure("potassium_age", "1440", "min"),
    figure("line_critical", "40", "mmol/h"),
    figure("line_warning", "20", "mmol/h"),
    figure("peripheral_warning", "10", "mmol/h"),
    figure("peripheral_strength", "40", "mmol/L"),
    figure("seizure_age", "1440", "min"),
    figure("result_age", "240", "min"),
    figure("ketones_met", "3.0", "mmol/L"),
    figure("ph_met", "7.30", "1"),
    figure("bicarbonate_met", "18", "mmol/L"),
    figure("glucose_met", "11.1", "mmol/L", also=(("200", "mg/dL"),)),
    figure("ph_moderate", "7.25", "1"),
    figure("ph_severe", "7.00", "1"),
    figure("gap_high", "16", "mmol/L"),
    figure("glucose_lead", "30", "min"),
    figure("glucose_age", "60", "min"),
    figure("status_from", "5", "min"),
    figure("fall_window", "360", "min"),
    figure("fall_span", "60", "min"),
    figure("fall_apart", "30", "min"),
    figure("fall_fast", "-0.5", "mmol/L/h"),
    figure("fall_ahead", "2", "h"),
    figure("fall_line", "3.5", "mmol/L"),
    """
[about.lowering]
means = "drugs that lower the seizure threshold"
population = "any"
columns = { drug = "drug", grade = "words", instead = "words", source = "words", verified = "words" }
key = ["drug"]

[[table.lowering]]
drug = "ciprofloxacin"
grade = "B"
instead = "ceftriaxone"
source = "local to this test"
verified = "ours"

[[table.lowering]]
drug = "meropenem"
grade = "C"
instead = "piperacillin with tazobactam"
source = "local to this test"
verified = "ours"
""",
)
INSULIN = OrderFilter(("insulin",), "either", "intravenous")
BAGS = OrderFilter(("potassium_salt",), "either", "intravenous")


@dataclass(frozen=True)
class Written:
    """One code as data."""

    advisory: Callable[[ParameterSet], Advisory]
    states: Callable[[ParameterSet], dict[str, StateDef]] = field(default=lambda p: {})


def advisory(code: str, kind: str, branches: tuple[Branch, ...], **more: object) -> Advisory:
    return Advisory(code=code, title=code, problem=code, kind=kind, trigger=Trigger(), branches=branches, sources=("local",), without_age=True, always=INDICATORS, **more)  # type: ignore[arg-type]


def branch(name: str, when: Criterion, indicator: str, summary: str = "Summary", **facts: Expression) -> Branch:
    return Branch(name, when, indicator, Words(summary, facts=facts))


def b1(p: ParameterSet) -> Advisory:
    every, outside = Total("potassium"), Total("potassium", lines="not central")
    strength = OfOrder("concentration", "potassium")
    return advisory(
        "potassium-rate-exceeds-line-limit", "order",
        (
            branch("any line", Above(every, p["line_critical"]), "critical", "Potassium {sum}", sum=every),
            branch("central", Above(every, p["line_warning"]), "warning", "Potassium {sum}", sum=every),
            branch("peripheral", Above(outside, p["peripheral_warning"]), "warning", "Potassium {sum}", sum=outside),
            branch("strong", AllOf((Not(OrderIs("line central")), Above(strength, p["peripheral_strength"]))), "warning", "Strength {s}", s=strength),
            branch("not computable", AllOf((OrderIs("drafted"), NotComputable(OfOrder("per_hour", "potassium")))), "warning"),
        ),
        over=BAGS,
    )  # fmt: skip


def d1(p: ParameterSet) -> Advisory:
    history = State("seizure history")
    return advisory(
        "seizure-threshold-lowering-order", "order",
        (
            branch("grade B", AllOf((TableRow("lowering", "grade", ("B",)), history)), "warning", "{order}: consider {instead}"),
            branch("grade C", AllOf((TableRow("lowering", "grade", ("C",)), history)), "info", "{order}: consider {instead}"),
        ),
        over=OrderFilter(("antibacterial",), "drafted"), table="lowering",
    )  # fmt: skip


def d1_states(p: ParameterSet) -> dict[str, StateDef]:
    recent = HasCondition(("seizure",), within=p["seizure_age"])
    return {"seizure history": StateDef("seizure history", "a seizure or epilepsy on record", AnyOf((HasCondition(("epilepsy",)), recent)))}


def a1(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ph = Latest("ph", age)
    known = AnyOf((AtLeastValue(Latest("glucose", age), p["glucose_met"]), HasCondition(("diabetes",))))
    acid = AnyOf((Below(ph, p["ph_met"]), Below(Latest("bicarbonate", age), p["bicarbonate_met"])))
    met = AllOf((known, AtLeastValue(Latest("beta_hydroxybutyrate", age), p["ketones_met"]), acid))
    return advisory(
        "dka-criteria-met", "result",
        (
            branch("severe", AllOf((met, Below(ph, p["ph_severe"]))), "critical", "Severe: pH {ph}", ph=ph),
            branch("moderate", AllOf((met, Between(ph, p["ph_severe"], p["ph_moderate"]))), "critical", "Moderate: pH {ph}", ph=ph),
            branch("mild", met, "warning", "Mild: pH {ph}", ph=ph),
            branch("gap only", AllOf((known, Above(Formula("anion_gap", age), p["gap_high"]), acid)), "info"),
        ),
    )  # fmt: skip


def c2(p: ParameterSet) -> Advisory:
    none = NoneWithin(("glucose",), p["glucose_lead"], "seizure onset", p["glucose_age"])
    return advisory(
        "seizure-without-glucose", "result",
        (
            branch("going on", AllOf((State("seizing"), none, AtLeastValue(Since("seizure onset"), p["status_from"]))), "critical"),
            branch("early", AllOf((State("seizing"), none)), "warning"),
        ),
    )  # fmt: skip


def c2_states(p: ParameterSet) -> dict[str, StateDef]:
    def seizing(scene: Scene) -> StateValue:
        found = [c for c in scene.conditions(("seizure",)) if c.active]
        events = {"seizure onset": found[0].onset} if found and found[0].onset is not None else {}
        return StateValue(TRUE if found else FALSE, events=events)

    return {"seizing": StateDef("seizing", "a seizure that has not ended", compute=seizing, dates=("seizure onset",))}


def b6(p: ParameterSet) -> Advisory:
    fall = Slope("potassium", p["fall_window"], p["fall_span"], p["fall_apart"])
    soon = Projected(fall, p["fall_ahead"])
    return advisory(
        "potassium-falling-on-insulin", "order",
        (branch("falling", AllOf((HasOrder(INSULIN), Below(fall, p["fall_fast"]), Below(soon, p["fall_line"]))), "warning", "Potassium {soon}", soon=soon),),
    )  # fmt: skip


CODES = {"B1": Written(b1), "D1": Written(d1, d1_states), "A1": Written(a1), "C2": Written(c2, c2_states), "B6": Written(b6)}


def knowledge_of(name: str) -> Knowledge:
    written = CODES[name]
    made = {
        who: population_of(who, P, (written.advisory(P.for_population(who)),), states=written.states(P.for_population(who)))  # type: ignore[arg-type]
        for who in ("adult", "child")
    }
    return join(P, made["adult"], made["child"])


# Patients ----------------------------------------------------------------------------------------------------------------------------


def bag(ref: str, mmol: int, rate: str, *, drafted: bool = False, line: str | None = None, **more: object) -> Order:
    parts = (ingredient("potassium_chloride", f"{mmol} mmol / 1000 mL"), ingredient("sodium_chloride", "1000 mL / 1000 mL", active=False))
    return order(*parts, ref=f"MedicationRequest/{ref}", drafted=drafted, doses=(dosage(dose="1000 mL", rate=rate, line=line),), **more)


def insulin(*, drafted: bool = True) -> Order:
    return order(ingredient("insulin_soluble", "50 [iU] / 50 mL"), ref="MedicationRequest/i", drafted=drafted, doses=(dosage(dose="50 mL", rate="6 mL/h"),))


Thing = Result | Condition | Order
KETOACIDOSIS: tuple[Thing, ...] = (
    result("glucose", "24.0"), result("beta_hydroxybutyrate", "5.1"), result("ph", "7.18"), result("bicarbonate", "11"),
)  # fmt: skip
FALLING: tuple[Thing, ...] = (
    insulin(), result("potassium", "6.0", 240), result("potassium", "5.0", 120), result("potassium", "4.0", 20),
)  # fmt: skip
TWO_BAGS: tuple[Thing, ...] = (bag("r", 40, "150 mL/h"), bag("d", 40, "300 mL/h", drafted=True))
SEIZING: tuple[Thing, ...] = (condition("seizure", minutes=12), result("glucose", "5.1", 90))

FIRES = {
    "B1": (chart(*TWO_BAGS), "warning", "peripheral"),
    "D1": (chart(order(ingredient("ciprofloxacin"), ref="MedicationRequest/c", drafted=True, doses=(dosage(),)), condition("epilepsy")), "warning", "grade B"),
    "A1": (chart(*KETOACIDOSIS), "critical", "moderate"),
    "C2": (chart(*SEIZING), "critical", "going on"),
    "B6": (chart(*FALLING), "warning", "falling"),
}
SILENT: dict[str, tuple[Chart, Outcome, str]] = {
    "B1": (chart(bag("r", 40, "100 mL/h"), bag("d", 40, "100 mL/h", drafted=True)), Outcome.NOT_MET, "not met"),
    "D1": (chart(order(ingredient("ceftriaxone"), drafted=True, doses=(dosage(),)), condition("epilepsy")), Outcome.NOT_MET, "not met"),
    "A1": (chart(*KETOACIDOSIS[:2], result("ph", "7.41"), result("bicarbonate", "24")), Outcome.NOT_MET, "not met"),
    "C2": (chart(condition("seizure", minutes=12), result("glucose", "5.1", 8)), Outcome.NOT_MET, "not met"),
    "B6": (chart(insulin(), result("potassium", "4.1", 240), result("potassium", "4.0", 20)), Outcome.NOT_MET, "not met"),
}
OPEN: dict[str, tuple[Chart, str]] = {
    "A1": (chart(result("glucose", "24.0"), result("beta_hydroxybutyrate", "5.1"), result("ph", "7.18", 300)), "pH 7.18 is 5 h old"),
    "B6": (chart(insulin(), result("potassium", "4.0", 20)), "no series"),
}


def finding_of(name: str) -> tuple[Knowledge, object]:
    knowledge = knowledge_of(name)
    made = assess(FIRES[name][0], NO_MEMORY, knowledge)
    return knowledge, made


@pytest.mark.parametrize("name", CODES)
def test_evaluate(name: str) -> None:
    held, indicator, named = FIRES[name]
    made = assess(held, NO_MEMORY, knowledge_of(name))
    assert [(f.branch.name, f.indicator) for v in made.verdicts for f in v.findings][:1] == [(named, indicator)]
    assert made.verdicts[0].outcome is Outcome.FIRED


@pytest.mark.parametrize("name", CODES)
def test_explain_holds_the_patients_own_numbers(name: str) -> None:
    made = assess(FIRES[name][0], NO_MEMORY, knowledge_of(name))
    told = "\n".join(explain(made.verdicts[0].findings[0].reason))
    wanted = {"B1": "18 mmol/h", "D1": "epilepsy", "A1": "7.18", "C2": "no glucose result", "B6": "mmol/L/h over 3 results"}[name]
    assert told.startswith("yes") and wanted in told


@pytest.mark.parametrize("name", CODES)
def test_tabulate_shows_every_figure_with_its_source(name: str) -> None:
    ready = knowledge_of(name).adult.ready[0]
    rows = [row for each, _ in ready.branches for row in tabulate(each.when)]
    assert all(row.criteria and all(figure.source for figure in row.figures) for row in rows)
    keys = {figure.key for row in rows for figure in row.figures}
    assert keys >= {
        "B1": {"line_critical", "peripheral_strength"}, "D1": set[str](), "A1": {"ketones_met", "ph_moderate", "ph_severe", "gap_high"},
        "C2": {"glucose_lead", "glucose_age", "status_from"}, "B6": {"fall_fast", "fall_ahead"},
    }[name]  # fmt: skip


def flip_of(name: str, held: Chart | None = None) -> Flip | None:
    knowledge = knowledge_of(name)
    made = assess(held or FIRES[name][0], NO_MEMORY, knowledge)
    finding, ready = made.verdicts[0].findings[0], knowledge.adult.ready[0]
    assert made.scene is not None
    return nearest_flip(
        finding.code, finding.why.leaves, finding.branch.indicator, made.scene, finding.why.order, lambda s, o: fires_as(ready, s, o), ready.edges
    )


def test_flip_of_a_sum_is_the_rate_of_the_bag_in_hand() -> None:
    held = chart(bag("r", 40, "100 mL/h"), bag("d", 40, "200 mL/h", drafted=True))
    flip = flip_of("B1", held)
    # 4 mmol/h run; the draft may give 6: 150 mL/h of 40 mmol/L.
    assert flip is not None and (flip.item, flip.at, flip.unit, flip.direction) == ("rate of this order", Decimal(150), "mL/h", "or less")
    assert "makes 10 mmol/h" in flip.text


def test_flip_of_a_sum_that_no_one_order_brings_down() -> None:
    flip = flip_of("B1", chart(bag("r", 40, "450 mL/h"), bag("d", 40, "50 mL/h", drafted=True)))
    assert flip is not None and "over all orders" in flip.text and flip.becomes == ""


def test_flip_of_a_result() -> None:
    flip = flip_of("A1")
    assert flip is not None
    # pH alone does not clear it, the bicarbonate is low too; above 7.25 it is mild: the nearest change is of the pH.
    assert (flip.item, flip.at, flip.becomes) == ("pH", Decimal("7.25"), "warning")
    assert not flip.within_error and "0.04" in flip.text


def test_flip_of_a_time() -> None:
    flip = flip_of("C2")
    assert flip is not None and (flip.at, flip.direction, flip.becomes) == (Decimal(5), "less than", "warning")


def test_a_table_has_no_number_to_flip() -> None:
    assert flip_of("D1") is None


@pytest.mark.parametrize("name", CODES)
def test_why_silent_in_a_patient_who_does_not_meet_it(name: str) -> None:
    held, outcome, words = SILENT[name]
    verdict = assess(held, NO_MEMORY, knowledge_of(name)).verdicts[0]
    assert verdict.outcome is outcome
    assert words in why_silent(verdict)


@pytest.mark.parametrize("name", OPEN)
def test_why_silent_names_the_gap(name: str) -> None:
    held, words = OPEN[name]
    verdict = assess(held, NO_MEMORY, knowledge_of(name)).verdicts[0]
    assert verdict.outcome is Outcome.UNKNOWN
    assert words in why_silent(verdict)


def test_f_09_none_within_is_true_for_every_kind_of_gap() -> None:
    verdict = assess(chart(condition("seizure", minutes=12), result("glucose", "5.1", 90)), NO_MEMORY, knowledge_of("C2")).verdicts[0]
    assert verdict.outcome is Outcome.FIRED


def test_f_30_an_absent_order_is_not_an_open_question() -> None:
    verdict = assess(chart(result("potassium", "4.0")), NO_MEMORY, knowledge_of("B1")).verdicts[0]
    assert verdict.outcome is Outcome.NOT_APPLICABLE
