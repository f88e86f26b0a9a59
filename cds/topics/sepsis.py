"""Sepsis looked for in a patient with an infection (D7)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    OrderFilter,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import if_known

NICE = "NICE NG253. Suspected sepsis: recognition, diagnosis and early management, 2025 (before: NG51)"
SSC = "Evans L et al. Surviving Sepsis Campaign 2021. Intensive Care Med 2021;47:1181-1247"
SCORE = "Royal College of Physicians. National Early Warning Score (NEWS) 2, 2017"
_SEDATIVES = ("benzodiazepine", "opioid", "barbiturate", "propofol")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The sepsis screen for one population. Figures and sources: sepsis.toml."""
    age = p["sepsis_lactate_age"]
    lactate = Latest("lactate", age)
    infected = State("suspected infection")
    seven, five, single = State("early warning 7"), State("early warning 5"), State("early warning single 3")
    beside = State("early warning single 3 beside consciousness")
    raised = if_known("lactate", age, Above(lactate, p["sepsis_lactate_raised"]))
    high = if_known("lactate", age, AtLeastValue(lactate, p["sepsis_lactate_critical"]))
    post_ictal = AllOf((State("seizure now"), AtMostValue(Since("seizure onset"), p["post_ictal_minutes"])))
    # A consciousness that a convulsion or a sedative explains is no sign of sepsis by itself.
    explained = AllOf((Not(beside), AnyOf((State("seizure now"), HasOrder(OrderFilter(_SEDATIVES, "given", started_within=p["sepsis_sedative_within"]))))))
    step_up = AllOf((raised, Not(post_ictal)))
    facts: dict[str, Expression] = {
        "score": Formula("news2", p["vitals_age"]), "lactate": lactate, "systolic": Latest("systolic", p["vitals_age"]),
        "temperature": Latest("temperature", p["vitals_age"]),
    }  # fmt: skip
    do = (
        "By local protocol: two sets of blood cultures, then an antibacterial within {p.sepsis_antibacterial_high} in shock or at high risk, {p.sepsis_antibacterial_middle} at moderate risk.",
        "Low perfusion: {p.sepsis_fluid}; mean pressure 65 or more; lactate again; look for the source.",
    )
    cautions = (
        "Ketoacidosis, a convulsion and beta-agonists raise score and lactate too; after a convulsion repeat the lactate at {p.post_ictal_minutes}.",
        "Parts of the score that are not known can only raise it.",
    )
    base = Words("", ("Early-warning score {score}; lactate {lactate}; systolic {systolic}; temperature {temperature}.",), do, cautions, facts=facts)
    ask = (Measure("lactate", "Measure lactate", unless_within=age),)

    def branch(name: str, when: Criterion, indicator: str, summary: str) -> Branch:
        return Branch(name, AllOf((infected, when)), indicator, replace(base, summary=summary), ask)

    own_chart = replace(
        base,
        summary="Use the local early-warning chart for children or pregnancy: infection, temperature {temperature}, lactate {lactate}",
        do=("By local protocol: the paediatric or obstetric early-warning chart, and senior review.", *do),
    )
    apart = AllOf((State("score does not hold"), AnyOf((State("fever now"), raised, HasOrder(OrderFilter(("antibacterial",), "drafted"))))))
    return (
        Advisory(
            code="sepsis-screen-positive",
            title="Signs of sepsis",
            problem="sepsis",
            kind="result",
            trigger=Trigger((("analyte:respiratory_rate", "analyte:spo2", "analyte:systolic", "analyte:heart_rate", "analyte:temperature", "analyte:gcs", "analyte:avpu", "analyte:lactate"),)),
            branches=(
                branch("score 7", seven, "critical", "Treat as sepsis now: infection with an early-warning score of {score}, lactate {lactate}"),
                branch("lactate after a convulsion", AllOf((high, post_ictal, Not(five))), "warning",
                       "Repeat the lactate after the convulsion: {lactate} with infection, early-warning score {score}"),
                branch("lactate 4", high, "critical", "Treat as sepsis now: infection with lactate {lactate}, early-warning score {score}"),
                branch("score 5 and lactate", AllOf((five, step_up)), "critical", "Treat as sepsis now: early-warning score {score} and lactate {lactate} with infection"),
                branch("single 3 and lactate", AllOf((single, Not(explained), step_up)), "critical", "Treat as sepsis now: lactate {lactate} and one sign at its worst, with infection"),
                branch("score 5", five, "warning", "Look for sepsis: infection with an early-warning score of {score}, lactate {lactate}"),
                branch("single 3", AllOf((single, Not(explained))), "warning", "Look for sepsis: infection and one vital sign at its worst (score {score})"),
                branch("consciousness and lactate", AllOf((single, explained, step_up)), "warning", "Look for sepsis: lactate {lactate} with infection; consciousness may have another cause"),
                branch("consciousness alone", AllOf((single, explained)), "info", "Check again for sepsis: only consciousness scores, and a convulsion or a sedative may explain it"),
                Branch("another chart", AllOf((infected, apart)), "info", own_chart),
            ),
            sources=(NICE, SSC, SCORE),
            quiet=HasCondition(("end_of_life",)),
            touches=("antibacterial", "aciclovir"),
            touched=("critical", "warning"),
            without_age=True,
            hazards=("HZ-36",),
            purpose="An infection that is turning into sepsis, seen in the numbers before it is seen in the patient.",
        ),
    )  # fmt: skip
