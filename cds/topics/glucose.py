"""Low glucose (A5)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Precedence, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    HasOrder,
    Latest,
    NoOrder,
    Not,
    OrderFilter,
    PatientIs,
    State,
)
from cds.parameters import Limit, ParameterSet
from cds.states.parts import insulin_by_vein, insulin_running

SOURCES = (
    "JBDS 01. Hospital management of hypoglycaemia in adults with diabetes, 2023",
    "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275",
)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: glucose.toml."""
    return (
        Advisory(
            code="hypoglycaemia",
            title="Low glucose",
            problem="low glucose",
            kind="result",
            trigger=Trigger((("analyte:glucose",),)),
            branches=_branches(p),
            sources=SOURCES,
            touches=("insulin", "glucose_lowering", "glucose_fluid", "glucagon"),
            always=("critical",),
            precedence=(
                Precedence("lowers", "insulin-stop-without-overlap"),
                Precedence("absorbs", "dextrose-needed-with-insulin"),
                Precedence("absorbs", "provoked-seizure-cause", other_branches=("glucose low",)),
                Precedence("silences", "insulin-rate-out-of-range", other_branches=("too low",)),
                Precedence("silences", "potassium-in-dextrose"),
            ),
            without_age=True,
            neonate=True,
            hazards=("HZ-02", "HZ-03", "HZ-06", "HZ-28", "HZ-36", "HZ-53"),
            purpose="A glucose low enough to harm the brain.",
        ),
    )


def _branches(p: ParameterSet) -> tuple[Branch, ...]:
    now, later = Latest("glucose", p["glucose_age_on_insulin"]), Latest("glucose", p["glucose_age_on_insulin_if_none_later"])
    gcs = Latest("gcs", p["consciousness_age"])
    child = p.population == "child"

    def low(limit: Limit) -> Criterion:
        """Below the limit within the hour; within two hours while insulin runs, where nothing later is known."""
        value: Criterion = AllOf((State("glucose measured"), AnyOf((Below(now, limit), AllOf((insulin_running(), Below(later, limit)))))))
        # The age is known wherever a child's figures are used.
        return AllOf((Not(PatientIs("neonate")), value)) if child else value

    facts: dict[str, Expression] = {"glucose": later}
    if child:
        treat = (
            "By local protocol: glucose by vein, {p.hypoglycaemia_glucose_10}; in an ongoing seizure up to {p.hypoglycaemia_glucose_seizure_child}. By mouth if awake and safe.",
            "No access: glucagon {p.hypoglycaemia_glucagon} mg into muscle.",
        )
    else:
        treat = (
            "By local protocol: glucose {p.hypoglycaemia_glucose_grams} g by vein, {p.hypoglycaemia_glucose_10} or {p.hypoglycaemia_glucose_20}; by mouth if awake and safe.",
            "No access: glucagon {p.hypoglycaemia_glucagon} mg into muscle.",
        )
    do = (
        *treat,
        "Measure glucose again after {p.hypoglycaemia_recheck} min.",
        "Look at every insulin order, drafted and running: no bolus now; slow or pause the infusion.",
        "In ketoacidosis do not stop insulin and walk away: give glucose, and restart within {p.insulin_restart_within}.",
    )
    cautions = (
        "Long-acting insulin, a sulfonylurea, kidney, liver or adrenal failure: it comes back for {p.hypoglycaemia_recurs_for}.",
        "Thiamine with the glucose in alcohol use or malnutrition, never before it at the price of a delay.",
        "A meter reads less surely in shock and at low values; treat first.",
    )
    recheck = (Measure("glucose", "Measure glucose again after treatment"),)

    def words(summary: str, *found: str) -> Words:
        return Words(summary, found, do, cautions, facts=facts)

    below, severe, mild = p["hypoglycaemia_below"], p["hypoglycaemia_severe_below"], p["hypoglycaemia_mild_from"]
    no_medicine = NoOrder(OrderFilter(("glucose_lowering",), "active", ended_within=p["hypoglycaemia_medicine_age"]))
    branches: list[Branch] = []
    if child:
        branches.append(
            Branch(
                "newborn", AllOf((PatientIs("neonate"), State("glucose measured"), AnyOf((Below(now, p["hypoglycaemia_neonate_below"]), AllOf((insulin_running(), Below(later, p["hypoglycaemia_neonate_below"]))))))),
                "critical",
                Words(
                    "Glucose {glucose} in a newborn, below {p.hypoglycaemia_neonate_below}: call the neonatal team, treat now",
                    (), ("By local neonatal protocol; other advice of this service does not hold at this age.",), cautions[2:], facts=facts,
                ),
                recheck,
            )
        )  # fmt: skip
    branches += [
        Branch("very low", low(severe), "critical", words("Glucose {glucose}: give glucose now, dangerously low"), recheck),
        Branch(
            "low with a seizure", AllOf((low(below), State("seizure now"))), "critical",
            words("Glucose {glucose} with a seizure: give glucose now", "A low glucose may be the cause of the seizure."), recheck,
        ),
        Branch(
            "low with drowsiness", AllOf((low(below), AtMostValue(gcs, p["hypoglycaemia_gcs"]))), "critical",
            words("Glucose {glucose} and not fully awake: give glucose now by vein"), recheck,
        ),
        Branch(
            "low with insulin drafted", AllOf((low(below), HasOrder(insulin_by_vein("drafted")))), "critical",
            words("Glucose {glucose}: give glucose first, do not start this insulin yet", "Insulin by vein is drafted."), recheck,
        ),
        Branch(
            "mild, awake, no glucose-lowering medicine",
            AllOf((low(below), AtLeastValue(later, mild), AtLeastValue(gcs, p["consciousness_full"]), no_medicine)), "info",
            Words(
                "Glucose {glucose}, awake, no glucose-lowering medicine: may be normal when fasting",
                (), ("Measure again by local protocol; feed if allowed.",), cautions[2:], facts=facts,
            ),
        ),
        Branch("low", low(below), "warning", words("Glucose {glucose}: give glucose, it is below {p.hypoglycaemia_below}"), recheck),
    ]  # fmt: skip
    return tuple(branches)
