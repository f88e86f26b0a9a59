"""Whether the cause of a hyperglycaemic crisis was looked for (N12)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import (
    Age,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Criterion,
    CultureShows,
    Expression,
    HasCondition,
    InvestigationOrdered,
    Latest,
    NoneWithin,
    Not,
    PatientIs,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, if_known

CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
_INFECTED = ("infection", "sepsis", "septic_shock", "pneumonia", "pyelonephritis", "urinary_tract_infection", "cns_infection")
_ANY_RESULT = ("positive", "negative", "mixed", "pending", "contaminated")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about the cause of a crisis for one population. Figures and sources: acidosis.toml."""
    look_back = p["crisis_cause_look_back"]
    late = AllOf((State("crisis shown"), AtLeastValue(Since("crisis start"), p["crisis_cause_after"])))
    no_ecg = AllOf((NoneWithin(("qtc", "pr_interval"), look_back), Not(InvestigationOrdered(("ecg",)))))
    fertile = AllOf(
        (
            PatientIs("female"), AtLeastValue(Age("years"), p["pregnancy_test_from"]), AtMostValue(Age("years"), p["pregnancy_test_to"]),
            Not(HasCondition(("pregnancy",))),
        )
    )  # fmt: skip
    no_test = AllOf((fertile, NoneWithin(("hcg", "pregnancy_status"), look_back), Not(InvestigationOrdered(("hcg", "pregnancy_test")))))
    fever = if_known("temperature", p["fever_age"], AtLeastValue(Latest("temperature", p["fever_age"]), p["fever_from"]))
    uncultured = AllOf(
        (
            AnyOf((fever, HasCondition(_INFECTED))), Not(CultureShows(_ANY_RESULT, look_back)),
            Not(InvestigationOrdered(("blood_culture", "urine_culture", "culture"))),
        )
    )  # fmt: skip
    facts: dict[str, Expression] = {"since": Since("crisis start"), "temperature": Latest("temperature", p["fever_age"])}
    do = (
        "Look for the cause by local protocol: infection (chest, urine, skin, feet, belly), infarct, missed or spoilt insulin, new medicines, pancreatitis, pregnancy.",
    )
    cautions = ("What was done on paper, or elsewhere, is not seen here.",)

    def branch(name: str, missing: Criterion, summary: str, *proposals: Measure) -> Branch:
        return Branch(name, AllOf((late, missing)), "info", Words(summary, (), do, cautions, facts=facts), proposals)

    return (
        Advisory(
            code="crisis-cause-not-sought",
            title="The cause of the crisis not yet looked for",
            problem="cause of the crisis",
            kind="result",
            trigger=Trigger((("analyte:glucose", "analyte:beta_hydroxybutyrate", "condition:diabetic_ketoacidosis", "condition:hyperosmolar_state"),)),
            branches=(
                branch("no culture", uncultured, "Check for cultures: none on record {since} into the crisis, temperature {temperature}"),
                branch("no pregnancy test", no_test, "Check for a pregnancy test: none on record {since} into the crisis", Measure("hcg", "Pregnancy test", urgent=False)),
                *(() if p.population == "child" else (branch("no ECG", no_ecg, "Check for an ECG: none on record {since} into the crisis (infarct, potassium)"),)),
            ),
            sources=(CONSENSUS, "own rule N12"),
            touches=CRISIS_TOUCHES,
            purpose="A crisis has a cause, and the cause is what kills.",
        ),
    )
