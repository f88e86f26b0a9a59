"""Knowledge that is not sound refuses to start. The control of each check is the sound advisory beside it, which is taken (HZ-10, HZ-22)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from cds.advisory import Advisory, Branch, Measure, Precedence, Trigger, Words
from cds.assess import knowledge_of as shipped_knowledge_of
from cds.logic.compare import KnowledgeError
from cds.logic.criteria import (
    AllOf,
    AnyOrder,
    Below,
    Change,
    Criterion,
    CultureShows,
    Extreme,
    Formula,
    HasAllergy,
    HasCondition,
    HasOrder,
    InvestigationOrdered,
    Latest,
    NoneWithin,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    PatientIs,
    Plus,
    Projected,
    RatePerWeight,
    Slope,
    State,
    TableRow,
    Total,
)
from cds.logic.scene import StateDef
from cds.parameters import ParameterSet
from tests.assess.making import A5, A6, A7, P, advisory, branch, knowledge_of, potassium_below
from tests.logic.scenes import chart, figure, limit, parameters, scene

MMOL, PER_HOUR = limit("3.5", "mmol/L"), limit("20", "mmol/h")
OVER = OrderFilter(("insulin",), "either", "intravenous")


def holds(node: Criterion, **more: Any) -> Callable[[ParameterSet], tuple[Advisory, ...]]:
    return lambda p: (advisory(A6, branch("b", node, "critical"), **more),)


SOUND = holds(Below(Latest("potassium", P["age"]), MMOL))
UNSOUND: dict[str, tuple[Callable[[ParameterSet], tuple[Advisory, ...]], str]] = {
    "a code that is not in the catalogue": (lambda p: (advisory("low-something", branch("b", potassium_below("low", p), "critical")),), "not in the catalogue"),
    "a code twice": (lambda p: tuple(advisory(A6, branch("b", potassium_below("low", p), "critical")) for _ in range(2)), "declared twice"),
    "precedence over no code": (holds(potassium_below("low", P), precedence=(Precedence("silences", "nothing"),)), "names 'nothing'"),
    "precedence of no kind": (holds(potassium_below("low", P), precedence=(Precedence("beats", A7),)), "precedence 'beats'"),
    "precedence at no indicator": (holds(potassium_below("low", P), precedence=(Precedence("silences", A7, at=("severe",)),)), "'severe'"),
    "a misspelt trigger": (holds(potassium_below("low", P), trigger=Trigger((("drafted:insuline",),))), "drafted:insuline"),
    "no such hook": (holds(potassium_below("low", P), hooks=("order-sing",)), "no hook 'order-sing'"),
    "no such indicator": (lambda p: (advisory(A6, branch("b", potassium_below("low", p), "severe")),), "no indicator 'severe'"),
    "no such kind": (holds(potassium_below("low", P), kind="drug"), "neither order nor result"),
    "no source": (holds(potassium_below("low", P), sources=()), "needs a title"),
    "two branches of one name": (
        lambda p: (advisory(A6, branch("b", potassium_below("low", p), "critical"), branch("b", potassium_below("low", p), "info")),), "one name"),
    "a unit that cannot meet": (holds(Below(Latest("potassium", P["age"]), PER_HOUR)), "mmol/h"),
    "a total against a concentration": (holds(Below(Total("potassium"), MMOL)), "mmol/L"),
    "a rate per weight against a rate": (holds(Below(RatePerWeight("insulin"), limit("6", "[iU]/h")), over=OVER), r"\[iU\]/h"),
    "a formula against another kind": (holds(Below(Formula("anion_gap", P["age"]), limit("12", "mosm/kg"))), "mosm/kg"),
    "no such analyte": (holds(Below(Latest("kalium", P["age"]), MMOL)), "no analyte 'kalium'"),
    "none of no analyte": (holds(NoneWithin(("kalium",), P["age"])), "no analyte 'kalium'"),
    "no such formula": (holds(Below(Formula("anion_hole", P["age"]), MMOL)), "no formula 'anion_hole'"),
    "no such diagnosis": (holds(HasCondition(("fits",))), "no condition 'fits'"),
    "no such drug": (holds(HasOrder(OrderFilter(("insuline",)))), "no drug or class 'insuline'"),
    "numbers of two kinds added": (holds(Below(Plus((Latest("sodium", MMOL), Latest("ph", MMOL))), MMOL)), "cannot be added"),
    "doses given without a time": (holds(HasOrder(OrderFilter(("insulin",), "given"))), "need a time to look back"),
    "an investigation of nothing": (holds(InvestigationOrdered(())), "of nothing"),
    "no such reaction": (holds(HasAllergy(("penicillin",), ("itchy",))), "no group of reactions 'itchy'"),
    "no such result of a culture": (holds(CultureShows(("R",), MMOL)), "no result of a culture 'R'"),
    "no series of that name": (holds(Below(Change("kalium", MMOL), MMOL)), "no analyte or formula 'kalium'"),
    "no such extreme": (holds(Below(Extreme("sodium", MMOL, "worst"), MMOL)), "not the 'worst'"),
    "no such place of an order": (holds(HasOrder(OrderFilter(("insulin",), "elsewhere"))), "not 'elsewhere'"),
    "no such drug of an order": (holds(OrderHas(("insuline",)), over=OVER), "no drug or class 'insuline'"),
    "no such fact of an order": (holds(OrderIs("central"), over=OVER), "no order fact 'central'"),
    "no such number of an order": (holds(Below(OfOrder("speed", "insulin"), limit("6", "[iU]")), over=OVER), "no number of an order 'speed'"),
    "no such substance": (holds(Below(OfOrder("amount", "drug:phenitoin"), MMOL), over=OVER), "no drug 'phenitoin'"),
    "an order in hand where there is none": (holds(OrderIs("drafted")), "no order is in hand"),
    "a number of an order where there is none": (holds(Below(OfOrder("per_hour", "potassium"), PER_HOUR)), "no order is in hand"),
    "no such state": (holds(State("crisis")), "no state 'crisis'"),
    "no such table": (holds(TableRow("t1", "grade", ("A",)), over=OVER), "no table 't1'"),
    "no such fact of a patient": (holds(PatientIs("old")), "no fact of a patient 'old'"),
    "touches no drug": (holds(potassium_below("low", P), touches=("insuline",)), "no touches 'insuline'"),
    "words with no such fact": (lambda p: (advisory(A6, branch("b", potassium_below("low", p), "critical", "Potassium {k}")),), "no fact 'k'"),
    "words with no such figure": (lambda p: (advisory(A6, branch("b", potassium_below("low", p), "critical", "Below {p.lowest}")),), "no parameter 'lowest'"),
    "no summary": (lambda p: (advisory(A6, branch("b", potassium_below("low", p), "critical", " ")),), "no summary"),
    "a fact that asks for no analyte": (
        lambda p: (advisory(A6, branch("b", potassium_below("low", p), "critical", "{k}", facts={"k": Latest("kalium", p["age"])})),), "no analyte 'kalium'"),
    "a critical branch on a projection alone (HZ-29)": (
        lambda p: (advisory(A6, branch("b", Below(Projected(Slope("potassium", p["age"], p["age"], p["age"]), p["age"]), MMOL), "critical")),), "projection alone"),
    "a test that no code asks for": (
        lambda p: (advisory(A6, Branch("b", potassium_below("low", p), "critical", Words("Low"), (Measure("kalium", ""),))),), "no analyte 'kalium'"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNSOUND)
def test_hz_22_unsound_knowledge_refuses_to_start(name: str) -> None:
    made, words = UNSOUND[name]
    with pytest.raises(KnowledgeError, match=words):
        knowledge_of(made)


def test_control_sound_knowledge_starts() -> None:
    assert knowledge_of(SOUND).codes == (A6,)
    assert knowledge_of(holds(AllOf((OrderIs("drafted"), Below(OfOrder("per_hour", "potassium"), PER_HOUR))), over=OVER))
    assert knowledge_of(holds(AnyOrder(OrderFilter(("insulin",)), OrderIs("drafted"))))


def in_a_circle(p: ParameterSet) -> tuple[Advisory, ...]:
    low = branch("b", potassium_below("low", p), "critical")
    return (
        advisory(A6, low, precedence=(Precedence("silences", A7),)),
        advisory(A7, low, precedence=(Precedence("absorbs", A5),)),
        advisory(A5, low, precedence=(Precedence("silences", A6),)),
    )


def test_hz_24_precedence_in_a_circle_refuses_to_start() -> None:
    with pytest.raises(KnowledgeError, match="circle"):
        knowledge_of(in_a_circle)


def test_control_precedence_without_the_last_link_starts() -> None:
    assert knowledge_of(lambda p: in_a_circle(p)[:2])


def test_lowering_each_other_is_no_circle() -> None:
    def mutual(p: ParameterSet) -> tuple[Advisory, ...]:
        low = branch("b", potassium_below("low", p), "critical")
        return tuple(advisory(a, low, precedence=(Precedence("lowers", b),)) for a, b in ((A6, A7), (A7, A6)))

    assert knowledge_of(mutual)


def test_a_state_that_rests_on_itself_refuses_to_start() -> None:
    loop = {"a": StateDef("a", "", State("b")), "b": StateDef("b", "", State("a"))}
    with pytest.raises(KnowledgeError, match="rests on itself"):
        knowledge_of(SOUND, loop)
    assert knowledge_of(SOUND, {"a": StateDef("a", "", State("b")), "b": StateDef("b", "", PatientIs("female"))})


def test_a_state_function_that_rests_on_itself_is_found_when_it_runs() -> None:
    seen = scene(chart(), states={"a": StateDef("a", "", compute=lambda s: s.state("a"))})
    with pytest.raises(KnowledgeError, match="rests on itself"):
        seen.state("a")


def test_hz_17_adults_and_children_need_the_same_codes() -> None:
    def uneven(p: ParameterSet) -> tuple[Advisory, ...]:
        return SOUND(p) if p.population == "adult" else (advisory(A5, branch("b", potassium_below("low", p), "critical")),)

    with pytest.raises(KnowledgeError, match="same codes"):
        knowledge_of(uneven)


def test_a_figure_that_is_no_number_is_refused() -> None:
    p = parameters(figure("age", "240", "min"), figure("word", '"above"', "1"))
    with pytest.raises(KnowledgeError, match="not a number"):
        knowledge_of(lambda q: (advisory(A6, branch("b", Below(Latest("potassium", q["age"]), q["word"]), "critical")),), p=p)


def test_the_shipped_knowledge_is_sound_and_its_digest_tells_figures_apart() -> None:
    from tests.logic.shipped import knowledge

    again = shipped_knowledge_of(knowledge().parameters, version="x")
    assert again.codes == knowledge().codes and again.digest != knowledge().digest


def test_hz_29_a_projection_beside_a_measured_value_may_be_critical() -> None:
    def both(p: ParameterSet) -> tuple[Advisory, ...]:
        soon = Below(Projected(Slope("potassium", p["age"], p["age"], p["age"]), p["age"]), MMOL)
        return (advisory(A6, branch("b", AllOf((soon, potassium_below("low", p))), "critical"), branch("c", soon, "warning")),)

    assert knowledge_of(both)
