"""Ketoacidosis: that it is there, how severe, and that an SGLT2 inhibitor is still on the list (A1, A16)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Measure, Precedence, Proposal, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    Latest,
    NoneWithin,
    NoOrder,
    Not,
    OrderFilter,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, either, falls_under, guidelines_print, held, if_known, insulin_by_vein, reaches

PROBLEM = "ketoacidosis"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
CHILDREN_UK = "BSPED guideline, DKA under 18 years, 2021; NICE NG18"
LABELS = "FDA labels of canagliflozin, dapagliflozin, empagliflozin and ertugliflozin: ketoacidosis"



def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The ketoacidosis advisories for one population. Figures and sources: ketoacidosis.toml and states/crisis.toml."""
    return (_criteria_met(p), _sglt2_inhibitor(p))


# A1 ----------------------------------------------------------------------------------------------------------------------------------


def _criteria_met(p: ParameterSet) -> Advisory:
    return Advisory(
        code="dka-criteria-met",
        title="Criteria of ketoacidosis are met",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:ph", "analyte:bicarbonate", "analyte:beta_hydroxybutyrate", "analyte:urine_ketones"),)),
        branches=_grades(p),
        sources=(CHILDREN, CHILDREN_UK) if p.population == "child" else (CONSENSUS, UK, US),
        touches=CRISIS_TOUCHES,
        always=("critical",),
        always_when=NoOrder(insulin_by_vein("either")),
        without_age=True,
        # A gas that is missing hides severe as well as mild ketoacidosis.
        gap_indicator="critical",
        precedence=(Precedence("silences", "ketones-not-measured"), Precedence("silences", "high-anion-gap-without-ketosis")),
        hazards=("HZ-02", "HZ-03", "HZ-06", "HZ-17", "HZ-25", "HZ-28"),
        purpose="Ketoacidosis named early, also at a near-normal glucose, and graded.",
    )


def _grades(p: ParameterSet) -> tuple[Branch, ...]:
    """Worst first: the worst grade that any variable reaches decides. What is not measured is not counted (Q-M06)."""
    age, awake = p["result_age"], p["consciousness_age"]
    met, glucose = State("ketoacidosis criteria met"), Latest("glucose", age)
    ph, bicarbonate, ketones, gcs = Latest("ph", age), Latest("bicarbonate", age), Latest("beta_hydroxybutyrate", age), Latest("gcs", awake)
    base = _words(p)
    severe: list[Criterion] = [
        if_known("ph", age, Below(ph, p["ketoacidosis_severe_ph"])),
        if_known("bicarbonate", age, Below(bicarbonate, p["ketoacidosis_severe_bicarbonate"])),
        if_known("beta_hydroxybutyrate", age, Above(ketones, p["ketoacidosis_severe_ketones"])),
    ]
    moderate: list[Criterion] = [
        if_known("ph", age, falls_under(ph, p, "ketoacidosis_moderate_ph")),
        if_known("bicarbonate", age, Below(bicarbonate, p["ketoacidosis_moderate_bicarbonate"])),
    ]
    if held(p, "ketoacidosis_severe_gcs"):
        severe.append(if_known("gcs", awake, AtMostValue(gcs, p["ketoacidosis_severe_gcs"])))
    if held(p, "ketoacidosis_moderate_gcs"):
        moderate.append(if_known("gcs", awake, AtMostValue(gcs, p["ketoacidosis_moderate_gcs"])))
    near_normal = AllOf((State("known diabetes"), if_known("glucose", age, Not(reaches(glucose, p, "ketoacidosis_glucose")))))
    mixed = State("hyperosmolar numbers met")
    mild_indicator = "critical" if p.population == "child" else "warning"
    found: list[tuple[str, Criterion, str, Words]] = [
        ("severe and near-normal glucose", AllOf((near_normal, either(severe))), "critical", replace(
            base, summary="Severe ketoacidosis at glucose {glucose}: pH {ph}, ketones {ketones}; treat as ketoacidosis", found=(*base.found, _NEAR_NORMAL),
            do=(*base.do, _GLUCOSE_FROM_THE_START))),
        ("severe and hyperosmolar", AllOf((mixed, either(severe))), "critical", replace(
            base, summary="Severe ketoacidosis with hyperosmolar state: glucose {glucose}, pH {ph}; give fluid, watch osmolality",
            found=(*base.found, _MIXED))),
        ("severe", either(severe), "critical", replace(base, summary="Treat severe ketoacidosis: pH {ph}, bicarbonate {bicarbonate}, ketones {ketones}; critical care")),
        ("hyperosmolar", mixed, "critical", replace(
            base, summary="Ketoacidosis with hyperosmolar state: glucose {glucose}, pH {ph}; give fluid, watch osmolality", found=(*base.found, _MIXED))),
        ("moderate and near-normal glucose", AllOf((near_normal, either(moderate))), "critical", replace(
            base, summary="Moderate ketoacidosis at glucose {glucose}: ketones {ketones}, pH {ph}; treat as ketoacidosis", found=(*base.found, _NEAR_NORMAL),
            do=(*base.do, _GLUCOSE_FROM_THE_START))),
        ("near-normal glucose", near_normal, "critical", replace(
            base, summary="Ketoacidosis at glucose {glucose}: ketones {ketones}, pH {ph}; treat as ketoacidosis", found=(*base.found, _NEAR_NORMAL),
            do=(*base.do, _GLUCOSE_FROM_THE_START))),
        ("moderate", either(moderate), "critical", replace(base, summary="Treat moderate ketoacidosis: ketones {ketones}, pH {ph}, bicarbonate {bicarbonate}")),
    ]  # fmt: skip
    if p.population == "adult":
        found += [
            ("in pregnancy", HasCondition(("pregnancy",)), "critical", replace(
                base, summary="Ketoacidosis in pregnancy: ketones {ketones}, pH {ph}; call obstetric and diabetes teams",
                do=("Obstetric help at once, by local protocol.", *base.do))),
            ("in old age", AtLeastValue(Age("years"), p["ketoacidosis_old_from"]), "critical", replace(
                base, summary="Treat ketoacidosis at {age}: ketones {ketones}, pH {ph}; high risk, critical care advice", facts={**base.facts, "age": Age("years")})),
        ]  # fmt: skip
    found.append(
        ("mild", met, mild_indicator, replace(
            base, summary="Treat mild ketoacidosis: ketones {ketones}, pH {ph}, bicarbonate {bicarbonate}", differs=(*base.differs, *_mild_differs(p))))
    )  # fmt: skip
    branches: list[Branch] = []
    strip_only = NoneWithin(("beta_hydroxybutyrate",), age)
    blood = Measure("beta_hydroxybutyrate", "Measure blood ketones (beta-hydroxybutyrate) to confirm")
    for name, when, indicator, words in found:
        by_strip = replace(
            words,
            summary=words.summary.replace("{ketones}", "{strip}").replace("ketones {strip}", "urine ketones {strip}"),
            do=(*words.do, "Confirm with blood ketones: the strip does not see beta-hydroxybutyrate."),
            facts={**{k: v for k, v in words.facts.items() if k != "ketones"}, "strip": Latest("urine_ketones", age)},
        )
        branches.append(Branch(f"{name}, by urine strip", AllOf((met, strip_only, when)), indicator, by_strip, (blood,)))
        branches.append(Branch(name, AllOf((met, when)), indicator, words))
    return tuple(branches)


_NEAR_NORMAL = "The glucose is below the usual line for ketoacidosis: do not be reassured by it. Think of an SGLT2 inhibitor, fasting, pregnancy, alcohol."
_GLUCOSE_FROM_THE_START = "Give a glucose infusion with the insulin from the start, by local protocol."
_MIXED = "Glucose and osmolality also meet the hyperosmolar criteria: treat as ketoacidosis, and let osmolality fall slowly."


def _words(p: ParameterSet) -> Words:
    age = p["result_age"]
    facts: dict[str, Expression] = {
        "glucose": Latest("glucose", age),
        "ketones": Latest("beta_hydroxybutyrate", age),
        "ph": Latest("ph", age),
        "bicarbonate": Latest("bicarbonate", age),
        "gap": Formula("anion_gap", age),
        "corrected": Formula("anion_gap_corrected", age),
        "ratio": Formula("delta_ratio", age),
        "osmolality": Formula("effective_osmolality", age),
        "sodium": Formula("sodium_corrected_katz", age),
        "hillier": Formula("sodium_corrected_hillier", age),
    }
    found = (
        "Anion gap {gap}, corrected for albumin {corrected}; delta ratio {ratio}.",
        "Effective osmolality {osmolality}; sodium corrected for glucose {sodium} (Katz), {hillier} (Hillier).",
    )
    do: tuple[str, ...]
    cautions: tuple[str, ...]
    if p.population == "child":
        do = (
            "By local protocol and with the specialist team: fluid {p.ketoacidosis_fluid}; assumed deficit {p.ketoacidosis_deficit}.",
            "Insulin in unit/kg/h: {p.ketoacidosis_insulin}. Potassium {p.potassium_in_fluid} mmol/L in the fluid once urine is passed, unless potassium is high.",
            "Glucose in the fluid below {p.ketoacidosis_glucose_added_below}; neurological checks every hour.",
        )
        cautions = (
            "Headache, drowsiness or a slow pulse: think of cerebral oedema and call at once.",
            "Bicarbonate is not given for the acidosis.",
        )
        return Words("", found, do, cautions, facts=facts)
    do = (
        "By local protocol: fluid first, {p.ketoacidosis_fluid}; estimated deficit {p.ketoacidosis_deficit}.",
        "Potassium before insulin: insulin waits below {p.insulin_needs_potassium_at_least}.",
        "Then insulin, in unit/kg/h: {p.ketoacidosis_insulin}; glucose beside it when glucose is below {p.ketoacidosis_glucose_added_below}.",
        "Look for the cause: infection, infarct, missed insulin, SGLT2 inhibitor, pregnancy, pancreatitis, the belly. Repeat blood tests every {p.crisis_blood_tests_every}.",
    )
    cautions = (
        "Dialysis: bicarbonate and fluid needs mislead; avoid large volumes.",
        "A delta ratio above 2 means an added alkalosis (vomiting): the pH then looks better than the ketoacidosis is.",
        "Pregnancy: ketoacidosis comes at a lower glucose; obstetric help at once.",
    )
    return Words("", found, do, cautions, facts=facts)


def _mild_differs(p: ParameterSet) -> tuple[str, ...]:
    """A mild one may be none elsewhere: by the bicarbonate, or where a guideline asks for pH and bicarbonate."""
    lines = [f"Guidelines differ on the bicarbonate of ketoacidosis: {guidelines_print(p, 'ketoacidosis_bicarbonate')}."]
    if p.population == "adult":
        lines.append(f"On whether pH or bicarbonate is enough: {guidelines_print(p, 'ketoacidosis_acidosis_needs')}.")
    return tuple(lines)


# A16 ---------------------------------------------------------------------------------------------------------------------------------


def _sglt2_inhibitor(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ketones = Latest("beta_hydroxybutyrate", age)
    concepts = ("diabetic_ketoacidosis", "ketoacidosis")
    # An active diagnosis without a date counts; a resolved one without a date does not (R-m33).
    recent = AnyOf(
        (
            HasCondition(concepts, within=p["sglt2_condition_age"], undated="yes"),
            HasCondition(concepts, standing="recorded", within=p["sglt2_condition_age"], undated="no"),
        )
    )
    now = AnyOf((State("ketoacidosis criteria met"), State("ketoacidosis context"), AllOf((State("blood ketones measured"), AtLeastValue(ketones, p["sglt2_ketones_critical"])))))
    raised = AllOf((State("blood ketones measured"), AtLeastValue(ketones, p["sglt2_ketones_warning"])))
    facts: dict[str, Expression] = {"ketones": ketones, "ph": Latest("ph", age), "glucose": Latest("glucose", age)}
    do = (
        "By local protocol: stop it now and do not restart it in this admission; as a rule not again after ketoacidosis.",
        "Sugar in the urine and ketosis may go on for days after the last dose: start glucose early, with insulin.",
        "Tell whoever prescribes it for the heart or the kidneys.",
    )
    cautions = ("Glucose may be near normal in this ketoacidosis.", "Stop it also when it is given for heart or kidney disease alone.")
    drafted = OrderIs("drafted")

    def pair(name: str, when: Criterion, indicator: str, words: Words) -> tuple[Branch, ...]:
        take_out: tuple[Proposal, ...] = (Withdraw("Take the SGLT2 inhibitor out", recommended=True),)
        stop: tuple[Proposal, ...] = (Withdraw("Stop the SGLT2 inhibitor"),)
        return (
            Branch(f"{name}, drafted", AllOf((drafted, when)), indicator, words, take_out),
            Branch(name, when, indicator, words, stop),
        )

    return Advisory(
        code="sglt2-inhibitor-in-ketoacidosis",
        title="SGLT2 inhibitor in ketoacidosis",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:sglt2_inhibitor", "running:sglt2_inhibitor", "listed:sglt2_inhibitor"),)),
        over=OrderFilter(("sglt2_inhibitor",), "active"),
        branches=(
            *pair("ketoacidosis now", now, "critical", Words("Stop {order}: ketoacidosis is present (ketones {ketones}, pH {ph})", (), do, cautions, facts=facts)),
            *pair("ketones raised", raised, "warning", Words("Stop {order}: ketones {ketones} are raised", (), do, cautions, facts=facts)),
            *pair("ketoacidosis lately", recent, "warning", Words("Stop {order}: ketoacidosis is on record within {p.sglt2_condition_age}", (), do, cautions, facts=facts)),
        ),
        sources=(LABELS, CONSENSUS),
        touches=CRISIS_TOUCHES,
        without_age=True,
        hazards=("HZ-11", "HZ-24"),
        purpose="The cause of a ketoacidosis that is still being given.",
    )  # fmt: skip
