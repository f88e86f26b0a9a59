"""Suggestions that could never be made are refused at start-up. The control of each check is the sound one beside it, which is taken (HZ-10)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from cds.advisory import Advisory, Amend, Give, OneOf, Proposal, Withdraw
from cds.logic.compare import KnowledgeError
from cds.logic.criteria import AllOf, Figure, Latest, Lesser, OfOrder, OrderFilter, OrderIs, Ratio, Scaled
from cds.parameters import ParameterSet
from tests.assess.making import A6, B3, advisory, branch, knowledge_of, potassium_below
from tests.logic.scenes import limit

WEIGHT = Latest("weight", limit("1440", "min"))
DOSE = Lesser((Scaled(WEIGHT, limit("60", "mg/kg"), "mg"), Figure(limit("4500", "mg"))))
SOUND = Give("Give it", "levetiracetam", DOSE, "mg", minutes=Ratio(DOSE, Figure(limit("100", "mg/min"))), times_a_day=limit("2", "1"), round_to=limit("0.25", "g"))
BAG = replace(SOUND, diluent="sodium_chloride", volume_ml=limit("0.1", "L"), minutes=None, hours=limit("30", "min"))
AMEND = Amend("Change it", drug="levetiracetam", dose=DOSE, minutes=limit("15", "min"), times_a_day=limit("2", "1"), round_to=limit("50", "mg"))


def proposing(proposal: Proposal, *, in_hand: bool = False) -> Callable[[ParameterSet], tuple[Advisory, ...]]:
    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        low = potassium_below("low", p)
        if not in_hand:
            return (advisory(B3, replace(branch("low", low, "critical"), proposals=(proposal,))),)
        when = AllOf((OrderIs("drafted"), low))
        return (advisory(A6, replace(branch("low", when, "critical"), proposals=(proposal,)), kind="order", over=OrderFilter(("levetiracetam",), "drafted")),)

    return made


HALF = Scaled(OfOrder("amount", "drug:levetiracetam"), limit("0.5", "1"))
TAKEN: dict[str, tuple[Proposal, bool]] = {
    "a dose by weight": (SOUND, False),
    "a bag": (BAG, False),
    "a changed draft": (AMEND, True),
    "half of the order in hand": (replace(AMEND, dose=HALF), True),
    "alternatives": (OneOf("One of", (SOUND, replace(SOUND, label="Give another", drug="lacosamide"))), False),
}


@pytest.mark.parametrize("name", TAKEN)
def test_control_sound_suggestions_are_taken(name: str) -> None:
    proposal, in_hand = TAKEN[name]
    knowledge_of(proposing(proposal, in_hand=in_hand))


REFUSED: dict[str, tuple[Any, str]] = {
    "no such drug": (replace(SOUND, drug="no such drug"), "no drug 'no such drug'"),
    "no such diluent": (replace(BAG, diluent="no such fluid"), "no drug 'no such fluid'"),
    "no such route": (replace(SOUND, route="by post"), "no route 'by post'"),
    "no such unit": (replace(SOUND, amount_unit="furlong"), "no unit"),
    "a dose in units for one in mg": (replace(SOUND, amount=Scaled(WEIGHT, limit("1", "[iU]/kg"), "[iU]")), "needs a number in mg, not in [iU]"),
    "a figure of another kind": (replace(SOUND, amount=limit("60", "mg/kg")), "needs a number in mg, not in mg/kg"),
    "a step of another kind": (replace(SOUND, round_to=limit("50", "mL")), "needs a number in mg, not in mL"),
    "minutes in mg": (replace(SOUND, minutes=limit("15", "mg")), "needs a number in min, not in mg"),
    "a time from another rate": (replace(SOUND, minutes=Ratio(DOSE, Figure(limit("100", "mL/h")))), "needs a number in min"),
    "times in hours": (replace(SOUND, times_a_day=limit("12", "h")), "needs a number in 1, not in h"),
    "a volume in mg": (replace(BAG, volume_ml=limit("100", "mg")), "needs a number in mL, not in mg"),
    "a bag without a time": (replace(BAG, hours=None), "is a bag"),
    "two times": (replace(SOUND, hours=limit("1", "h")), "not both"),
    "two times of a bag": (replace(BAG, minutes=limit("15", "min")), "is a bag"),
    "no label": (replace(SOUND, label=" "), "without a label"),
    "an order in hand where there is none": (replace(SOUND, amount=HALF), "no order is in hand"),
    "no such analyte": (replace(SOUND, amount=Scaled(Latest("no such", limit("1", "min")), limit("1", "mg/kg"), "mg")), "no analyte 'no such'"),
    "nothing to change": (Amend("Change it"), "changes one thing"),
    "two things to change": (replace(AMEND, diluent="sodium_chloride"), "changes one thing"),
    "a changed drug that does not exist": (replace(AMEND, drug="no such drug"), "no drug 'no such drug'"),
    "a changed time in mg": (replace(AMEND, minutes=limit("15", "mg")), "needs a number in min"),
    "a changed step of another kind": (replace(AMEND, round_to=limit("50", "mL")), "needs a number in mg, not in mL"),
    "no alternatives": (OneOf("One of", ()), "has no alternatives"),
    "alternatives that nobody can tell apart": (OneOf("One of", (SOUND, SOUND)), "have one label"),
    "an alternative that is not sound": (OneOf("One of", (SOUND, replace(SOUND, label="Give another", route="by post"))), "no route 'by post'"),
    "a withdrawal without a label": (Withdraw(""), "without a label"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_suggestion_that_could_never_be_made_is_refused(name: str) -> None:
    proposal, words = REFUSED[name]
    with pytest.raises(KnowledgeError) as error:
        knowledge_of(proposing(proposal))
    assert words in str(error.value)
