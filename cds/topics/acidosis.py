"""Acid blood: ketones to be measured, an acidosis that ketones do not explain, one left over by chloride, and ketosis without diabetes (A3, A4, N5, N6)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Precedence, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
    OrderFilter,
    RatePerWeight,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, computable, if_known, insulin_by_vein

KETONES = "ketoacidosis"
ACIDOSIS = "acidosis"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
OWN = "own rules A3, A4, N5, N6"
GAP = "Kraut JA, Madias NE. Serum anion gap: its uses and limitations in clinical medicine. Clin J Am Soc Nephrol 2007;2:162-174"
# What may raise the gap, or brings propylene glycol into the vein (Q-M01, row A4).
GAP_TOUCHES = (
    "bicarbonate", "metformin", "sglt2_inhibitor", "crystalloid", "lorazepam", "phenobarbital", "phenytoin", "propofol", "valproate", "aspirin",
)  # fmt: skip
_KIDNEY = ("dialysis", "end_stage_renal")
_KETONES = ("beta_hydroxybutyrate", "urine_ketones")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about acid blood for one population. Figures and sources: acidosis.toml."""
    return (_ketones_not_measured(p), _gap_without_ketosis(p), _hyperchloraemic(p), _without_diabetes(p))


# A3 ----------------------------------------------------------------------------------------------------------------------------------


def _ketones_not_measured(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    none, strip_only = NoneWithin(_KETONES, age), NoneWithin(("beta_hydroxybutyrate",), age)
    glucose = Latest("glucose", age)
    acid = AllOf((State("gas measured"), State("sign of acid")))
    on_sglt2 = AnyOrder(OrderFilter(("sglt2_inhibitor",), "active"))
    high = if_known("glucose", age, AtLeastValue(glucose, p["ketones_wanted_glucose"]))
    insulin = AnyOrder(insulin_by_vein("drafted"), computable(RatePerWeight("insulin"), AtLeastValue(RatePerWeight("insulin"), p["low_rate_insulin_per_kg"])))
    by_order = AllOf((insulin, if_known("glucose", age, AtLeastValue(glucose, p["ketones_wanted_glucose_on_insulin"]))))
    by_type = AllOf((AnyOf((on_sglt2, HasCondition(("diabetes_type_1",)))), acid))
    by_diabetes = AllOf((AnyOf((State("known diabetes"), high)), acid))
    by_glucose = if_known("glucose", age, AtLeastValue(glucose, p["ketones_wanted_glucose_very_high"]))
    wanted = AnyOf((by_diabetes, by_type, by_glucose, by_order))
    facts: dict[str, Expression] = {
        "ph": Latest("ph", age), "bicarbonate": Latest("bicarbonate", age), "gap": Formula("anion_gap", age), "glucose": glucose,
        "strip": Latest("urine_ketones", age),
    }  # fmt: skip
    ask = (Measure("beta_hydroxybutyrate", "Measure blood ketones (beta-hydroxybutyrate) now"),)
    do = ("By local protocol: blood ketones at the bedside now, then judge insulin and fluid.",)
    cautions = ("A near-normal glucose does not exclude ketoacidosis on an SGLT2 inhibitor, in pregnancy or after fasting.",)
    found = ("pH {ph}, bicarbonate {bicarbonate}, anion gap {gap}, glucose {glucose}.",)
    return Advisory(
        code="ketones-not-measured",
        title="Ketones not measured",
        problem=KETONES,
        kind="order",
        trigger=Trigger((("analyte:ph", "analyte:bicarbonate", "analyte:glucose"),)),
        branches=(
            Branch("acid on an SGLT2 inhibitor", AllOf((none, on_sglt2, State("gas measured"), State("acid blood"))), "critical", Words(
                "Measure blood ketones now: pH {ph}, bicarbonate {bicarbonate} on an SGLT2 inhibitor, none measured", found, do, cautions, facts=facts), ask),
            Branch("sign of acid", AllOf((none, AnyOf((by_diabetes, by_type)))), "warning", Words(
                "Measure blood ketones: pH {ph}, bicarbonate {bicarbonate}, and none in the last {p.result_age}", found, do, cautions, facts=facts), ask),
            Branch("very high glucose", AllOf((none, by_glucose)), "warning", Words(
                "Measure blood ketones: glucose {glucose}, and none in the last {p.result_age}", found, do, cautions, facts=facts), ask),
            Branch("insulin about to start", AllOf((none, by_order)), "warning", Words(
                "Measure blood ketones before this insulin: glucose {glucose}, none in the last {p.result_age}", found, do, cautions, facts=facts), ask),
            Branch("strip only", AllOf((strip_only, Not(none), wanted)), "info", Words(
                "Measure blood ketones: there is only a urine strip ({strip}), which does not see them all", found, do,
                ("The strip stays positive while ketosis clears, and may be low early.",), facts=facts), ask),
        ),
        sources=(CONSENSUS, OWN),
        touches=CRISIS_TOUCHES,
        without_age=True,
        # Where it speaks, a gap that is raised for want of ketones is this one's question (Q-M07).
        precedence=(Precedence("silences", "high-anion-gap-without-ketosis", other_branches=("ketones unknown", "ketones unknown, severe", "ketones unknown, after a convulsion")),),
        asks_itself=_KETONES,
        hazards=("HZ-03", "HZ-07", "HZ-24"),
        purpose="The one test that tells an acidosis with diabetes from all others, asked for before insulin is.",
    )  # fmt: skip


# A4 ----------------------------------------------------------------------------------------------------------------------------------


def _gap_without_ketosis(p: ParameterSet) -> Advisory:
    age, lactate = p["result_age"], Latest("lactate", p["lactate_age"])
    osmolal = Formula("osmolal_gap", age)
    ketones = Latest("beta_hydroxybutyrate", age)
    high_lactate = if_known("lactate", p["lactate_age"], AtLeastValue(lactate, p["lactate_high"]))
    wide_osmolal = computable(osmolal, AtLeastValue(osmolal, p["osmolal_gap_high"]))
    severe = AnyOf((if_known("ph", age, Below(Latest("ph", age), p["gap_acidosis_severe_ph"])), high_lactate, wide_osmolal))
    # Without a chloride there is no gap to speak of.
    base = AllOf((State("chloride measured"), State("gas measured"), State("acid blood"), State("anion gap high")))
    insufficient = AllOf((State("ketones measured"), Not(State("ketosis"))))
    unknown = Not(State("ketones measured"))
    # Kidneys that have failed explain a mild one; what else could is known to be absent.
    renal = AllOf(
        (
            HasCondition(_KIDNEY), if_known("ph", age, AtLeastValue(Latest("ph", age), p["gap_acidosis_renal_ph"])),
            if_known("lactate", p["lactate_age"], Below(lactate, p["lactate_high"])), Not(wide_osmolal),
        )
    )  # fmt: skip
    treated = AllOf(
        (
            State("ketoacidosis context"), if_known("beta_hydroxybutyrate", age, AtLeastValue(ketones, p["gap_acidosis_ketones_on_the_way_down"])),
            Not(high_lactate), Not(wide_osmolal),
        )
    )  # fmt: skip
    facts: dict[str, Expression] = {
        "gap": Formula("anion_gap", age), "corrected": Formula("anion_gap_corrected", age), "ratio": Formula("delta_ratio", age),
        "expected": Formula("expected_pco2", age), "pco2": Latest("pco2", p["expected_pco2_age"]), "lactate": lactate, "osmolal": osmolal, "ketones": ketones,
        "ph": Latest("ph", age), "bicarbonate": Latest("bicarbonate", age),
    }  # fmt: skip
    found = (
        "Anion gap {gap}, corrected for albumin {corrected}; delta ratio {ratio}; ketones {ketones}, lactate {lactate}.",
        "pCO2 {pco2}, expected {expected}; osmolal gap {osmolal} (usually within 10 of zero).",
    )
    causes = "By local protocol: lactate, measured osmolality and ethanol, creatinine, paracetamol and salicylate; read the drug chart (metformin, valproate, propofol, propylene glycol)."
    do: tuple[str, ...] = (causes, "A toxic alcohol cannot be excluded late by a normal osmolal gap: ask the poisons service early.")
    if p.population == "child":
        do = (*do, "In a child think of an inborn error of metabolism: ammonia, and metabolic advice.")
    cautions = (
        "Within {p.post_ictal_minutes} of a convulsion lactate and bicarbonate mislead: repeat at that time before chasing them.",
        "Normal glucose without diabetes: alcohol, starvation, pregnancy.",
    )

    # Nothing is ignored after a convulsion; the card says what to make of it (N-11).
    post_ictal = AllOf((State("seizure now"), AtMostValue(Since("seizure onset"), p["post_ictal_minutes"])))

    def words(summary: str, *lines: str) -> Words:
        return Words(summary, (*found, *lines), do, cautions, facts=facts)

    return Advisory(
        code="high-anion-gap-without-ketosis",
        title="High anion gap that ketones do not explain",
        problem=ACIDOSIS,
        kind="result",
        trigger=Trigger((("analyte:chloride",), ("analyte:bicarbonate",))),
        branches=(
            Branch("after a convulsion", AllOf((base, insufficient, high_lactate, post_ictal)), "critical", words(
                "Repeat the gas in {p.post_ictal_minutes}: acidosis after a convulsion, lactate {lactate}, pH {ph}, anion gap {gap}")),
            Branch("ketones unknown, after a convulsion", AllOf((base, unknown, high_lactate, post_ictal)), "critical", words(
                "Repeat the gas in {p.post_ictal_minutes}: acidosis after a convulsion, lactate {lactate}, pH {ph}, anion gap {gap}"),
                (Measure("beta_hydroxybutyrate", "Measure blood ketones now"),)),
            Branch("severe", AllOf((base, insufficient, severe)), "critical", words(
                "Look for the cause now: acidosis that ketones do not explain, pH {ph}, lactate {lactate}, anion gap {gap}")),
            Branch("ketones unknown, severe", AllOf((base, unknown, severe)), "critical", words(
                "Look for the cause now: acidosis, pH {ph}, lactate {lactate}, anion gap {gap}; ketones unknown"),
                (Measure("beta_hydroxybutyrate", "Measure blood ketones now"),)),
            Branch("kidney failure", AllOf((base, insufficient, renal)), "info", words(
                "Check what kidney failure does not explain: anion gap {gap} without ketosis, pH {ph}")),
            Branch("gap", AllOf((base, insufficient)), "warning", words(
                "Look for the cause: ketones {ketones} do not explain an anion gap of {gap} with pH {ph}"),
                (Measure("lactate", "Measure lactate", unless_within=p["lactate_age"]),)),
            Branch("ketones unknown", AllOf((base, unknown)), "warning", words(
                "Measure ketones and lactate: anion gap {gap} with pH {ph}, ketones not known"),
                (Measure("beta_hydroxybutyrate", "Measure blood ketones now"),)),
        ),
        sources=(GAP, OWN),
        quiet=treated,
        touches=GAP_TOUCHES,
        without_age=True,
        hazards=("HZ-24",),
        purpose="An acidosis that insulin will not mend, while everybody looks at the glucose.",
    )  # fmt: skip


# N5 ----------------------------------------------------------------------------------------------------------------------------------


def _hyperchloraemic(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ketones, chloride, bicarbonate = Latest("beta_hydroxybutyrate", age), Latest("chloride", age), Latest("bicarbonate", age)
    facts: dict[str, Expression] = {"ketones": ketones, "chloride": chloride, "bicarbonate": bicarbonate, "gap": Formula("anion_gap", age)}
    when: Criterion = AllOf(
        (
            State("crisis shown"), State("chloride measured"), State("blood ketones measured"), Below(ketones, p["hyperchloraemia_ketones"]), Below(bicarbonate, p["acidosis_bicarbonate"]),
            AtMostValue(Formula("anion_gap", age), p["anion_gap_high"]), AtLeastValue(chloride, p["hyperchloraemia_chloride"]),
        )
    )  # fmt: skip
    return Advisory(
        code="hyperchloraemic-acidosis",
        title="Acidosis left over by chloride",
        problem=ACIDOSIS,
        kind="result",
        trigger=Trigger((("analyte:chloride",), ("analyte:beta_hydroxybutyrate",))),
        branches=(
            Branch("chloride explains it", when, "info", Words(
                "Give no more insulin for this bicarbonate ({bicarbonate}): chloride {chloride} explains it, ketones {ketones}",
                ("Anion gap {gap}: closed.",),
                ("By local protocol judge the end of ketoacidosis by ketones and pH, not by bicarbonate alone; a balanced fluid brings less chloride.",),
                ("Kidney failure and diarrhoea lower bicarbonate too.",), facts=facts)),
        ),
        sources=(CONSENSUS, OWN),
        touches=CRISIS_TOUCHES,
        without_age=True,
        purpose="Insulin and its drip are not prolonged for an acidosis that saline made.",
    )  # fmt: skip


# N6 ----------------------------------------------------------------------------------------------------------------------------------


def _without_diabetes(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ketones, glucose = Latest("beta_hydroxybutyrate", age), Latest("glucose", age)
    facts: dict[str, Expression] = {"ketones": ketones, "glucose": glucose, "ph": Latest("ph", age), "bicarbonate": Latest("bicarbonate", age)}
    return Advisory(
        code="ketoacidosis-without-diabetes",
        title="Ketoacidosis without known diabetes",
        problem=KETONES,
        kind="result",
        trigger=Trigger((("analyte:beta_hydroxybutyrate",),)),
        branches=(
            Branch("no diabetes known", AllOf(
                (State("blood ketones measured"), AtLeastValue(ketones, p["ketosis_ketones"]), State("gas measured"), State("acid blood"), Below(glucose, p["ketoacidosis_without_diabetes_glucose"]),
                 Not(State("known diabetes")))), "warning", Words(
                "Look for the cause: ketoacidosis without known diabetes, ketones {ketones}, glucose {glucose}", (),
                ("Think of alcohol, starvation, pregnancy and an SGLT2 inhibitor that is not on the list: ask for each.",
                 "By local protocol: glucose by vein with thiamine, fluid and potassium; insulin only if glucose rises."),
                ("Insulin without glucose is dangerous here.",), facts=facts)),
        ),
        sources=(CONSENSUS, OWN),
        touches=CRISIS_TOUCHES,
        without_age=True,
        hazards=("HZ-11",),
        purpose="Ketoacidosis of alcohol, hunger or pregnancy, which is treated with glucose and not with insulin.",
    )  # fmt: skip
