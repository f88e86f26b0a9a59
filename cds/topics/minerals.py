"""Low magnesium, phosphate and calcium (B9 to B11)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    Criterion,
    Expression,
    Figure,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    Lesser,
    Limit,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderIs,
    Scaled,
    State,
)
from cds.parameters import ParameterSet
from cds.states.minerals import QT_DRUGS, TOTAL, adjusted, by_adjusted, by_ionised, by_unadjusted, ionised, qtc
from cds.states.parts import POTASSIUM_TOUCHES, computable, held, insulin_by_vein, potassium_on_the_ward
from cds.states.potassium_level import potassium_now

MAGNESIUM_GUIDE = "NHS Highland hypomagnesaemia guide; magnesium sulfate label"
ILAE = "Beghi E et al. Recommendation for a definition of acute symptomatic seizure. Epilepsia 2010;51:671-675"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
PHOSPHATE_LABEL = "Potassium phosphates injection, US label"
CALCIUM = "Turner J et al. Emergency management of acute hypocalcaemia in adult patients. Endocr Connect 2016;5:G7-G8, addendum 2019;8:X1"
RHYTHM = ("arrhythmia", "torsades", "cardiac_arrest")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about a low mineral for one population. Figures and sources: minerals.toml, states/mineral_lines.toml."""
    return (_magnesium(p), _calcium(p), _phosphate(p))


def _by_weight(p: ParameterSet, per_kg: str, most: str) -> Lesser:
    """A child's dose in mg: by weight, up to a maximum."""
    return Lesser((Scaled(Latest("weight", p["weight_age"]), p[per_kg], "mg"), Figure(p[most])))


# B9 ----------------------------------------------------------------------------------------------------------------------------------


def _magnesium(p: ParameterSet) -> Advisory:
    magnesium, very_low = Latest("magnesium", p["minerals_age"]), p["magnesium_very_low_below"]
    potassium = potassium_on_the_ward(p)
    facts: dict[str, Expression] = {"magnesium": magnesium, "potassium": potassium, "rate": Formula("schwartz" if p.population == "child" else "ckd_epi", p["creatinine_window"])}
    seizure, rhythm = State("seizure now"), HasCondition(RHYTHM)
    low_potassium = AllOf((State("low potassium measured"), potassium_now(p, lambda item: Below(item, p["potassium_low_below"]))))
    low_calcium = AllOf((State("calcium measured"), State("calcium low")))
    medicine = HasOrder(OrderFilter((*QT_DRUGS, "digoxin"), "active"))
    # One that runs on, or a dose ordered within the day (R-n57).
    started = OfOrder("started_minutes", "magnesium")
    runs = AnyOrder(
        OrderFilter(("magnesium_sulfate",), "running", "intravenous"),
        AnyOf((Not(OrderIs("one-off")), NotComputable(started), AtMostValue(started, p["magnesium_dose_counts"]))),
    )
    found = ("Magnesium {magnesium}, {magnesium.age}; potassium {potassium}; estimated filtration rate {rate}.",)
    slow = "By local protocol: magnesium {p.magnesium_slow}; below {p.magnesium_egfr_below} half of the maintenance, with levels."
    fast = "By local protocol: magnesium {p.magnesium_fast} in a seizure; in torsades faster."
    mild_do = ("By local protocol: magnesium by mouth or slowly by vein; look for the cause (diarrhoea, diuretics, proton-pump inhibitor, alcohol).",)
    cautions = (
        "Watch reflexes, breathing, urine and blood pressure while it runs; calcium gluconate at hand.",
        "Kidney failure, myasthenia or a muscle relaxant: a senior decides on the dose.",
        "Potassium and calcium stay low while magnesium is low.",
    )
    checks = (Measure("potassium", "Measure potassium", unless_within=p["result_age"]), Measure("calcium_total", "Measure calcium", unless_within=p["minerals_age"]))
    give: tuple[Proposal, ...] = (_fast_magnesium(p), *checks)

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...], offered: tuple[Proposal, ...] = checks) -> Branch:
        return Branch(name, AllOf((State("magnesium measured"), when)), indicator, Words(summary, found, do, cautions, facts=facts), offered)

    low = Below(magnesium, p["magnesium_low_below"])
    return Advisory(
        code="magnesium-low",
        title="Low magnesium",
        problem="magnesium",
        kind="result",
        trigger=Trigger((("analyte:magnesium",),)),
        branches=(
            branch("very low with a seizure", AllOf((Below(magnesium, very_low), seizure)), "critical", "Magnesium {magnesium} with a seizure: give magnesium now by vein", (fast,), give),
            branch("very low with an arrhythmia", AllOf((Below(magnesium, very_low), rhythm)), "critical", "Magnesium {magnesium} with an arrhythmia: give magnesium now by vein", (fast,), give),
            branch("low enough for a seizure", Below(magnesium, p["magnesium_seizure_below"]), "critical", "Magnesium {magnesium}: give magnesium now by vein, it can cause seizures", (slow, fast)),
            branch("very low", Below(magnesium, very_low), "warning", "Magnesium {magnesium}: give magnesium by vein today", (slow,)),
            branch("low with a seizure", AllOf((low, seizure)), "warning", "Magnesium {magnesium} with a seizure: give magnesium, and look for another cause too", (fast,)),
            branch(
                "low and it matters", AllOf((low, AnyOf((low_potassium, low_calcium, medicine, rhythm)))), "warning",
                "Magnesium {magnesium}: replace it; potassium, calcium or the rhythm depends on it",
                ("What makes it matter: low potassium or calcium, a QT-lengthening medicine, digoxin or an arrhythmia.", *mild_do),
            ),
            branch("low", low, "info", "Magnesium {magnesium}, a little low: replace by local protocol", mild_do),
        ),
        sources=(MAGNESIUM_GUIDE, ILAE),
        satisfied=AnyOf((HasOrder(OrderFilter(("magnesium_sulfate",), "drafted", "intravenous")), runs)),
        precedence=(Precedence("absorbs", "provoked-seizure-cause", other_branches=("magnesium low",)),),
        touches=POTASSIUM_TOUCHES,
        without_age=True,
        hazards=("HZ-02", "HZ-17", "HZ-23", "HZ-28"),
        purpose="A low magnesium that keeps potassium low, upsets the rhythm or causes a seizure.",
    )  # fmt: skip


def _fast_magnesium(p: ParameterSet) -> Give:
    minutes = p["magnesium_fast_minutes"]
    if p.population == "child":
        return Give("Give magnesium sulfate by weight", "magnesium_sulfate", _by_weight(p, "magnesium_per_kg", "magnesium_child_most"), "mg", minutes=minutes)
    return Give("Give magnesium sulfate", "magnesium_sulfate", p["magnesium_fast_grams"], "g", minutes=minutes)


# B10 ---------------------------------------------------------------------------------------------------------------------------------


def _phosphate(p: ParameterSet) -> Advisory:
    phosphate = Latest("phosphate", p["minerals_age"])
    facts: dict[str, Expression] = {
        "phosphate": phosphate, "potassium": potassium_on_the_ward(p), "ionised": ionised(p), "total": Latest(TOTAL, p["minerals_age"]),
    }  # fmt: skip
    very_low = Below(phosphate, p["phosphate_very_low_below"])
    weak = AnyOf(
        (
            HasCondition(("respiratory_failure", "heart_failure", "haemolysis", "ventilator_dependence")),
            State("anaesthetic running"),
            HasOrder(OrderFilter(("neuromuscular_blocker",), "running", "intravenous")),
        )
    )
    found = ("Phosphate {phosphate}, {phosphate.age}; potassium {potassium}; ionised calcium {ionised}; total calcium {total}.",)
    do = (
        "By local protocol: replace it by vein, {p.phosphate_dose}; look at calcium first and correct a low one.",
        "Potassium phosphate only with potassium below {p.phosphate_potassium_below} and a filtration rate of {p.phosphate_egfr_from} or more; else sodium phosphate.",
        "Count its potassium with all other potassium.",
    )
    cautions = (
        "Not routine in a hyperglycaemic crisis: only below the line, or with weakness of breathing or heart.",
        "Phosphate by vein lowers calcium: never in one line with calcium.",
    )
    measure = (
        Measure("calcium_total", "Measure calcium before phosphate", unless_within=p["minerals_age"]),
        Measure("potassium", "Measure potassium before phosphate", unless_within=p["result_age"]),
    )

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...] = do) -> Branch:
        return Branch(name, AllOf((State("phosphate measured"), when)), indicator, Words(summary, found, do, cautions, facts=facts), measure)

    branches = [
        branch("very low with weak heart or breathing", AllOf((very_low, weak)), "critical", "Phosphate {phosphate} with weak breathing, heart or haemolysis: replace it now by vein"),
        branch("very low", very_low, "warning", "Phosphate {phosphate}: replace it, check calcium and potassium first"),
    ]
    if held(p, "phosphate_low_below"):
        # A child's range runs higher; only the very low line is a child's too.
        risk = AnyOf((HasOrder(insulin_by_vein("either")), HasCondition(("refeeding_risk", "malnutrition", "eating_disorder"))))
        mild = Between(phosphate, p["phosphate_very_low_below"], p["phosphate_low_below"])
        branches.append(
            branch("low and going to fall", AllOf((mild, risk)), "info", "Phosphate {phosphate}, low with insulin or refeeding: measure again, it may fall",
                   ("By local protocol: measure again within a day; by mouth where possible.",))
        )  # fmt: skip
    return Advisory(
        code="phosphate-low",
        title="Low phosphate",
        problem="phosphate",
        kind="result",
        trigger=Trigger((("analyte:phosphate",),)),
        branches=tuple(branches),
        sources=(CONSENSUS, US, PHOSPHATE_LABEL),
        satisfied=HasOrder(OrderFilter(("phosphate_salt",), "either", "intravenous")),
        touches=POTASSIUM_TOUCHES,
        without_age=True,
        hazards=("HZ-02", "HZ-17", "HZ-28"),
        purpose="A phosphate so low that muscles, heart or red cells fail.",
    )


# B11 ---------------------------------------------------------------------------------------------------------------------------------


def _calcium(p: ParameterSet) -> Advisory:
    interval = qtc(p)
    facts: dict[str, Expression] = {
        "ionised": ionised(p), "adjusted": adjusted(p), "total": Latest(TOTAL, p["minerals_age"]), "magnesium": Latest("magnesium", p["minerals_age"]), "qtc": interval,
    }  # fmt: skip
    sign = AnyOf((HasCondition(("tetany", "stridor")), computable(interval, AtLeastValue(interval, p["qtc_very_long_from"]))))
    seizure = State("seizure now")
    found = ("Ionised calcium {ionised}; adjusted {adjusted}; total {total}; magnesium {magnesium}; longest QTc {qtc}.",)
    now = (
        "By local protocol: {p.calcium_first}, ECG on the monitor; then {p.calcium_after}.",
        "Give magnesium first or with it where magnesium is low; hold phosphate and bicarbonate by vein.",
    )
    look = ("By local protocol: measure ionised calcium, magnesium, phosphate and vitamin D; replace by mouth, or slowly by vein.",)
    cautions = (
        "Under digoxin calcium by vein is given slower and on the monitor.",
        "Never in one line with phosphate, bicarbonate or ceftriaxone.",
        "Adjusting for albumin misleads in the critically ill: ionised calcium decides where there is one.",
    )
    differs = ("For a seizure to be laid to it, the ILAE definition asks for calcium below {p.calcium_seizure_line}; the endocrine guidance treats from {p.calcium_very_low_below} down.",)
    checks = (Measure("magnesium", "Measure magnesium", unless_within=p["minerals_age"]), Measure("calcium_ionised", "Measure ionised calcium on a blood gas", unless_within=p["result_age"]))
    give: tuple[Proposal, ...] = (_first_calcium(p), *checks)

    def branch(name: str, when: Criterion, indicator: str, summary: str) -> Branch:
        urgent = indicator == "critical"
        treat = indicator == "warning" and not name.startswith("unadjusted")
        do, offered = (now, give) if urgent else ((*now, *look) if treat else look, checks)
        words = Words(summary, found, do, cautions, differs if "seizure" in name else (), facts)
        return Branch(name, AllOf((State("calcium measured"), when)), indicator, words, offered)

    ion_low, low = p["calcium_ionised_low_below"], p["calcium_low_below"]
    total = Latest(TOTAL, p["minerals_age"])

    def ion(limit: Limit) -> Criterion:
        return by_ionised(p, Below(ionised(p), limit))

    def adj(limit: Limit) -> Criterion:
        return by_adjusted(p, Below(adjusted(p), limit))

    def raw(limit: Limit) -> Criterion:
        return by_unadjusted(p, Below(total, limit))

    very = p["calcium_very_low_below"]
    is_ion, is_adj, is_raw = "Calcium {ionised} ionised", "Calcium {adjusted} adjusted", "Calcium {total}, not adjusted"
    return Advisory(
        code="calcium-low",
        title="Low calcium",
        problem="calcium",
        kind="result",
        trigger=Trigger((("analyte:calcium_ionised", "analyte:calcium_total"),)),
        branches=(
            branch("ionised very low", ion(p["calcium_ionised_very_low_below"]), "critical", f"{is_ion}: give calcium now by vein, ECG on the monitor"),
            branch("adjusted very low", adj(very), "critical", f"{is_adj}: give calcium now by vein, ECG on the monitor"),
            branch("ionised low with a sign", AllOf((ion(ion_low), sign)), "critical", f"{is_ion} with tetany, stridor or long QT: give calcium now by vein"),
            branch("ionised low with a seizure", AllOf((ion(p["calcium_ionised_moderate_below"]), seizure)), "critical", f"{is_ion} with a seizure: give calcium now by vein"),
            branch("adjusted low with a sign", AllOf((adj(low), sign)), "critical", f"{is_adj} with tetany, stridor or long QT: give calcium now by vein"),
            # Without an albumin one step lower, except where a value below the emergency line meets a sign or a seizure (R-m47).
            branch("unadjusted very low with a sign or seizure", AllOf((raw(very), AnyOf((sign, seizure)))), "critical", f"{is_raw}, with symptoms: give calcium now by vein"),
            branch("ionised moderately low", ion(p["calcium_ionised_moderate_below"]), "warning", f"{is_ion}: replace calcium today, check magnesium"),
            branch("ionised a little low with a seizure", AllOf((ion(ion_low), seizure)), "warning", f"{is_ion} with a seizure: replace calcium, look for another cause too"),
            branch("adjusted a little low with a seizure", AllOf((adj(low), seizure)), "warning", f"{is_adj} with a seizure: replace calcium, look for another cause too"),
            branch("unadjusted very low", raw(very), "warning", f"{is_raw}: measure ionised calcium now, replace if low"),
            branch("unadjusted low with a sign", AllOf((raw(low), sign)), "warning", f"{is_raw}, with tetany, stridor or long QT: measure ionised calcium now"),
            branch("ionised a little low", ion(ion_low), "info", f"{is_ion}, a little low: check magnesium and the cause"),
            branch("adjusted a little low", adj(low), "info", f"{is_adj}, a little low: check magnesium and the cause"),
            branch("unadjusted a little low", raw(low), "info", f"{is_raw}: check albumin or ionised calcium"),
        ),
        sources=(CALCIUM, ILAE),
        precedence=(Precedence("absorbs", "provoked-seizure-cause", other_branches=("calcium low",)),),
        touches=POTASSIUM_TOUCHES,
        without_age=True,
        hazards=("HZ-02", "HZ-17", "HZ-23", "HZ-28"),
        purpose="A calcium so low that muscle, airway, rhythm or brain suffers.",
    )


def _first_calcium(p: ParameterSet) -> Give:
    minutes = p["calcium_first_minutes"]
    if p.population == "child":
        return Give("Give calcium gluconate 10 % by weight", "calcium_gluconate", _by_weight(p, "calcium_gluconate_per_kg", "calcium_gluconate_child_most"), "mg", minutes=minutes)
    return Give("Give calcium gluconate 10 %", "calcium_gluconate", p["calcium_first_grams"], "g", "glucose", p["calcium_first_volume"], minutes=minutes)
