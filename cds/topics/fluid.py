"""Fluid in a crisis: none, too much for the heart, too much for a child, too fast, too little salt (A11); hypotonic fluid after a seizure (N9)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    DosePerWeight,
    Expression,
    Formula,
    Given,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    Ratio,
    Scaled,
    Since,
    State,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, computable, either, if_known, insulin_by_vein

PROBLEM = "fluid"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023; JBDS-IP 06, 2022"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
MAINTENANCE = "Holliday MA, Segar WE. The maintenance need for water in parenteral fluid therapy. Pediatrics 1957;19:823-832"
HYPOTONIC = "Spasovski G et al. Clinical practice guideline on hyponatraemia. Eur J Endocrinol 2014;170:G1-G47; common practice"
_NO_ROOM = ("heart_failure", "dialysis", "ckd_4_5", "end_stage_renal")
_NO_URINE = ("dialysis", "end_stage_renal", "anuria_oliguria")
_FLUIDS = ("crystalloid", "glucose_fluid")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about fluid for one population. Figures and sources: fluid.toml."""
    return (_volume(p), _hypotonic_order(p))


def _fluids(where: str = "either") -> OrderFilter:
    return OrderFilter(_FLUIDS, where, "intravenous")


def _bolus(p: ParameterSet, more: Criterion) -> Criterion:
    """A fluid order that runs in within the hour (R-m26) and is more than it should be."""
    minutes = OfOrder("duration_minutes", "fluid")
    return AnyOrder(OrderFilter(("crystalloid",), "either", "intravenous"), AllOf((computable(minutes, AtMostValue(minutes, p["fluid_bolus_minutes"])), more)))


# A11 ---------------------------------------------------------------------------------------------------------------------------------


def _volume(p: ParameterSet) -> Advisory:
    child = p.population == "child"
    return Advisory(
        code="fluid-volume-check",
        title="Amount of fluid",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((
            ("drafted:crystalloid", "running:crystalloid", "drafted:glucose_fluid", "running:glucose_fluid", "analyte:beta_hydroxybutyrate", "analyte:urine_ketones",
             "analyte:glucose", "condition:diabetic_ketoacidosis", "condition:hyperosmolar_state"),
        )),
        branches=_child_branches(p) if child else _adult_branches(p),
        sources=(CHILDREN, MAINTENANCE) if child else (CONSENSUS, UK, "own rule A11"),
        touches=CRISIS_TOUCHES,
        hazards=("HZ-17", "HZ-36", "HZ-38"),
        purpose="Fluid is the first treatment of a crisis: neither missing, nor more than the heart or a child's brain can bear.",
    )  # fmt: skip


def _none(p: ParameterSet) -> Criterion:
    """No fluid in an unresolved crisis. Glucose counts as fluid once it is wanted, or late in the course."""
    age = p["result_age"]
    late = AllOf((State("crisis begun"), AtLeastValue(Since("crisis start"), p["fluid_glucose_counts_after"])))
    wanted = AnyOf((late, if_known("glucose", age, Below(Latest("glucose", age), p["fluid_glucose_counts_below"]))))
    glucose = HasOrder(OrderFilter(("glucose_fluid",), "either", "intravenous"))
    return AllOf(
        (
            State("unresolved crisis shown"), Not(State("crystalloid ordered")), Not(AllOf((wanted, glucose))),
            Not(HasCondition(_NO_URINE)),
        )
    )  # fmt: skip


def _saltless(p: ParameterSet, when: Criterion) -> Criterion:
    """The sodium of all fluids together is low."""
    together = Scaled(Ratio(Total("sodium"), Total("fluid")), p["ml_in_a_litre"], "mmol/L")
    return AllOf((HasOrder(_fluids()), when, Below(together, p["fluid_hypotonic_below"])))


def _base(p: ParameterSet) -> Words:
    age = p["result_age"]
    facts: dict[str, Expression] = {
        "total": Total("fluid"), "crystalloid": Total("crystalloid"), "systolic": Latest("systolic", p["pressure_age"]), "sodium": Formula("sodium_for_trend", age),
        "salt": Scaled(Ratio(Total("sodium"), Total("fluid")), p["ml_in_a_litre"], "mmol/L"),
    }  # fmt: skip
    if p.population == "child":
        facts |= {"maintenance": Formula("maintenance_fluid", age), "mild": Formula("child_fluid_rate_mild", age),
                  "moderate": Formula("child_fluid_rate_moderate", age), "severe": Formula("child_fluid_rate_severe", age),
                  "given": Given("fluid", p["fluid_child_four_hours"], per_kg=True)}  # fmt: skip
        found: tuple[str, ...] = ("All fluids together {total}; maintenance {maintenance}; with the deficit over 48 h {mild} (5 %), {moderate} (7 %), {severe} (10 %).",)
        do = ("By local protocol and with the specialist team: {p.ketoacidosis_fluid}; assumed deficit {p.ketoacidosis_deficit}.",)
        return Words("", found, do, ("Shock is treated first: give, and look again after each bolus.",), facts=facts)
    facts |= {"ketoacidotic": Formula("ketoacidosis_fluid_deficit", age), "hyperosmolar": Formula("hyperosmolar_fluid_deficit", age)}
    found = ("All fluids together {total}; systolic pressure {systolic}.", "Estimated deficit {ketoacidotic} in ketoacidosis, {hyperosmolar} in a hyperosmolar state.")
    do = ("By local protocol: {p.fluid_first_adult}.",)
    return Words("", found, do, ("A low pressure is treated first: give, and look again after each bolus.",), facts=facts)


def _adult_branches(p: ParameterSet) -> tuple[Branch, ...]:
    base, shock, systolic = _base(p), State("shock"), Latest("systolic", p["pressure_age"])
    small = "By local protocol: 250 mL at a time, looked at after each (lungs, neck veins, ultrasound); critical care early."
    overload = AllOf(
        (
            HasCondition(_NO_ROOM), Not(shock),
            AnyOf((AtLeastValue(Total("crystalloid"), p["fluid_overload_rate"]), _bolus(p, Above(OfOrder("amount", "fluid"), p["fluid_overload_bolus"])))),
        )
    )  # fmt: skip
    quick = AllOf((HasOrder(_fluids()), if_known("systolic", p["pressure_age"], AtLeastValue(systolic, p["fluid_adult_pressure"])), Above(Total("fluid"), p["fluid_adult_rate"])))
    age = p["result_age"]
    wanted = AllOf((HasOrder(insulin_by_vein("either")), if_known("glucose", age, Below(Latest("glucose", age), p["fluid_glucose_counts_below"]))))
    low = if_known("sodium", age, Below(Formula("sodium_for_trend", age), p["fluid_hypotonic_sodium"]))
    return (
        Branch("none, in shock", AllOf((_none(p), shock)), "critical", replace(base, summary="Give fluid now: crisis with systolic {systolic} and none ordered")),
        Branch("none", _none(p), "warning", replace(base, summary="Give fluid: an unresolved crisis, and no crystalloid runs or is drafted")),
        Branch("overload", overload, "warning", replace(
            base, summary="Give smaller amounts: {crystalloid} of crystalloid with heart or kidney failure", do=(small,))),
        Branch("fast", quick, "warning", replace(base, summary="Slow the fluid: {total} in all with systolic {systolic}")),
        Branch("hypotonic", _saltless(p, AllOf((low, Not(wanted)))), "warning", replace(
            base, summary="Add salt: all fluids together hold {salt} of sodium, corrected sodium {sodium}", do=("By local protocol: 0.9 % saline or a balanced fluid instead.",))),
    )  # fmt: skip


def _child_branches(p: ParameterSet) -> tuple[Branch, ...]:
    base, shock, crisis, age = _base(p), State("shock"), State("crisis shown"), p["result_age"]
    large = AnyOf((Above(DosePerWeight("fluid"), p["fluid_child_bolus_per_kg"]), Above(OfOrder("amount", "fluid"), p["fluid_child_bolus"])))
    bolus = AnyOrder(
        OrderFilter(("crystalloid",), "either", "intravenous"),
        AllOf((computable(OfOrder("duration_minutes", "fluid"), AtMostValue(OfOrder("duration_minutes", "fluid"), p["fluid_bolus_minutes"])), large)),
    )
    severe = AnyOf((_low(p, "ph", "ketoacidosis_severe_ph"), _low(p, "bicarbonate", "ketoacidosis_severe_bicarbonate")))
    moderate = AnyOf((_low(p, "ph", "ketoacidosis_moderate_ph"), _low(p, "bicarbonate", "ketoacidosis_moderate_bicarbonate")))
    rate = {name: Above(Ratio(Total("fluid"), Formula(f"child_fluid_rate_{name}", age)), p["fluid_child_rate"]) for name in ("mild", "moderate", "severe")}
    any_bolus = _bolus(p, Above(OfOrder("amount", "fluid"), p["fluid_small_bag"]))
    fast = AllOf(
        (
            crisis, HasOrder(_fluids()), Not(shock), Not(any_bolus),
            either((AllOf((severe, rate["severe"])), AllOf((Not(severe), moderate, rate["moderate"])), AllOf((Not(severe), Not(moderate), rate["mild"])))),
        )
    )  # fmt: skip
    much = AllOf((crisis, HasOrder(_fluids()), Not(shock), Above(Given("fluid", p["fluid_child_four_hours"], per_kg=True), p["fluid_child_four_hours_per_kg"])))
    low = if_known("sodium", age, Below(Formula("sodium_for_trend", age), p["fluid_hypotonic_sodium"]))
    return (
        Branch("none, in shock", AllOf((_none(p), shock)), "critical", replace(base, summary="Give fluid now: a child in crisis with shock, and none ordered")),
        Branch("bolus in crisis", AllOf((crisis, bolus)), "critical", replace(
            base, summary="Give a smaller bolus: more than {p.fluid_child_bolus_per_kg} or {p.fluid_child_bolus} in a child's crisis")),
        Branch("none", _none(p), "warning", replace(base, summary="Give fluid: a child in crisis, and no crystalloid runs or is drafted")),
        Branch("bolus", bolus, "warning", replace(base, summary="Check this bolus: more than {p.fluid_child_bolus_per_kg} or {p.fluid_child_bolus} in a child")),
        Branch("rate", fast, "warning", replace(base, summary="Slow the fluid: {total} in all, above {p.fluid_child_rate} times the calculated rate")),
        Branch("four hours", much, "warning", replace(base, summary="Slow the fluid: {given} in {p.fluid_child_four_hours} in a child's crisis")),
        Branch("hypotonic", _saltless(p, AnyOf((crisis, low))), "warning", replace(
            base, summary="Add salt: all fluids of this child together hold {salt} of sodium", do=("By local protocol: 0.9 % saline or a balanced fluid, with potassium.",))),
    )  # fmt: skip


def _low(p: ParameterSet, analyte: str, key: str) -> Criterion:
    return if_known(analyte, p["result_age"], Below(Latest(analyte, p["result_age"]), p[key]))


# N9 ----------------------------------------------------------------------------------------------------------------------------------


def _hypotonic_order(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    sugar, salt = OfOrder("concentration", "glucose"), OfOrder("concentration", "sodium")
    saltless = AnyOf((Not(OrderHas(("saline", "balanced_crystalloid", "bicarbonate"), "any")), computable(salt, Below(salt, p["fluid_hypotonic_below"]))))
    watery = AllOf(
        (
            AnyOf((NotComputable(sugar), AtMostValue(sugar, p["glucose_not_hypotonic_above"]))), saltless,
            computable(OfOrder("amount", "fluid"), AtLeastValue(OfOrder("amount", "fluid"), p["fluid_small_bag"])),
        )
    )  # fmt: skip
    low = if_known("sodium", age, Below(Formula("sodium_for_trend", age), p["fluid_hypotonic_sodium"]))
    facts: dict[str, Expression] = {"sodium": Formula("sodium_for_trend", age), "salt": salt, "glucose": Latest("glucose", age)}
    do = ("By local protocol: 0.9 % saline or a balanced fluid; with glucose added where glucose is needed.",)
    cautions = ("Glucose for a low glucose is not meant, and is not delayed.", "In a hyperglycaemic crisis other rules apply.")
    take = (Withdraw("Take this fluid out"),)
    return Advisory(
        code="hypotonic-fluid-in-seizure-or-hyponatraemia",
        title="Hypotonic fluid with a low sodium or after a seizure",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:glucose_fluid", "running:glucose_fluid"),)),
        over=OrderFilter(("glucose_fluid",), "either", "intravenous"),
        branches=(
            Branch("low sodium", AllOf((watery, low)), "warning", Words(
                "Use saline instead of {order}: corrected sodium {sodium}", (), do, cautions, facts=facts), take),
            Branch("after a seizure", AllOf((watery, State("seizure now"))), "warning", Words(
                "Use saline instead of {order}: water after a seizure swells the brain (sodium {sodium})", (), do, cautions, facts=facts), take),
        ),
        sources=(HYPOTONIC,),
        quiet=AnyOf((State("crisis shown"), if_known("glucose", age, Below(Latest("glucose", age), p["hypoglycaemia_below"])))),
        hazards=("HZ-36",),
        purpose="Free water lowers a sodium that is low already.",
    )  # fmt: skip
