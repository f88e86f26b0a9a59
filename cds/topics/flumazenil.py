"""Flumazenil where it can bring on a seizure that nothing then stops (D4)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Trigger, Withdraw, Words
from cds.logic.criteria import AnyOf, AnyOrder, Criterion, HasCondition, HasOrder, OrderFilter, OrderIs, State
from cds.parameters import ParameterSet

LABEL = "FDA label of flumazenil: boxed warning and section 4 (a benzodiazepine given for status or raised intracranial pressure; cyclic antidepressant overdose)"
# Medicines whose overdose seizes (R-n67).
PROCONVULSANT = ("tricyclic", "antidepressant_ssri", "venlafaxine", "bupropion", "theophylline_like", "tramadol", "lithium", "isoniazid")
POISONED = ("poisoning_tricyclic", "poisoning_theophylline", "poisoning_isoniazid", "poisoning_cocaine", "poisoning_local_anaesthetic", "poisoning_stimulant")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about flumazenil for one population. Figures and sources: interactions.toml."""
    regular = AnyOf(
        (
            AnyOrder(OrderFilter(("benzodiazepine",), "active"), OrderIs("settled at home")),
            HasOrder(OrderFilter(("benzodiazepine",), "running", started_before=p["flumazenil_regular"])),
        )
    )
    for_status = HasOrder(
        OrderFilter(("benzodiazepine",), "given", started_within=p["flumazenil_status_benzodiazepine"], reasons=("seizure", "status_epilepticus", "eclampsia"))
    )
    poisoned = AnyOf((HasCondition(POISONED), HasOrder(OrderFilter(PROCONVULSANT, "active"))))
    injured = HasCondition(("brain_injury", "neurosurgery"), within=p["flumazenil_head_injury"], undated="no")
    do = (
        "By local protocol: support airway and breathing instead, and wait: the benzodiazepine wears off.",
        "If it was given and a seizure follows: a higher benzodiazepine dose, a barbiturate or propofol.",
    )
    cautions = ("What the record does not show (a mixed overdose, alcohol) is a risk too.",)
    out = (Withdraw("Take the flumazenil out"),)

    def branch(name: str, when: Criterion, why: str) -> Branch:
        return Branch(name, when, "critical", Words(f"Give no flumazenil: {why}; it can bring on seizures that do not stop", (), do, cautions), out)

    return (
        Advisory(
            code="flumazenil-with-seizure-risk",
            title="Flumazenil with a risk of seizures",
            problem="flumazenil",
            kind="order",
            trigger=Trigger((("drafted:flumazenil", "running:flumazenil"),)),
            over=OrderFilter(("flumazenil",), "either"),
            branches=(
                branch("seizure", State("seizure now"), "a seizure now or within a day"),
                branch("benzodiazepine for a seizure", for_status, "the benzodiazepine was given for a seizure"),
                branch("proconvulsant", poisoned, "a poison or medicine that seizes"),
                branch("history", State("seizure history"), "epilepsy or earlier seizures"),
                branch("regular benzodiazepine", regular, "a regular benzodiazepine"),
                branch("head injury", injured, "a recent head injury"),
            ),
            sources=(LABEL,),
            hazards=("HZ-36",),
            purpose="An antidote that takes away the one thing that keeps a patient from seizing.",
        ),
    )
