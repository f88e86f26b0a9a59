"""Sodium: low with a seizure, corrected too fast, and a high one that falls too fast (B12, B13, N8). Corrected for glucose wherever a glucose was drawn with it."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words, lowered
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    Change,
    Criterion,
    Expression,
    Extreme,
    Formula,
    HasCondition,
    Latest,
    Limit,
    Not,
    Slope,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import guidelines_print, if_known

PROBLEM = "sodium"
EU = "Spasovski G et al. Clinical practice guideline on diagnosis and treatment of hyponatraemia. Eur J Endocrinol 2014;170:G1-G47"
US = "Verbalis JG et al. Diagnosis, evaluation, and treatment of hyponatremia: expert panel recommendations. Am J Med 2013;126:S1-S42"
CAUSE = "Beghi E et al. Recommendation for a definition of acute symptomatic seizure. Epilepsia 2010;51:671-675"
SODIUM_TOUCHES = ("crystalloid", "glucose_fluid", "water", "potassium_salt", "potassium_phosphate", "desmopressin", "thiazide", "furosemide")
# Who is at risk of osmotic demyelination, beside a very low sodium and a low potassium.
AT_RISK = ("alcohol_use_disorder", "alcohol_withdrawal", "malnutrition", "cirrhosis", "hepatic_failure", "advanced_liver_disease")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about sodium for one population. Figures and sources: fluid.toml."""
    return (_with_seizure(p), _rising(p), _falling(p))


def _for_seizure(p: ParameterSet) -> Expression:
    return Formula("sodium_for_seizure", p["sodium_age"])


# B12 ---------------------------------------------------------------------------------------------------------------------------------


def _with_seizure(p: ParameterSet) -> Advisory:
    sodium, awake = _for_seizure(p), p["consciousness_age"]
    gcs = Latest("gcs", awake)
    ill = AnyOf((State("seizure now"), if_known("gcs", awake, AtMostValue(gcs, p["coma_gcs"]))))
    recovered = AllOf((Not(State("seizure ongoing")), Not(State("two seizures without recovery")), if_known("gcs", awake, AtLeastValue(gcs, p["consciousness_full"]))))
    facts: dict[str, Expression] = {"sodium": sodium, "measured": Latest("sodium", p["sodium_age"]), "glucose": Latest("glucose", p["sodium_age"]), "gcs": gcs}
    if p.population == "adult":
        facts["gain"] = Formula("hypertonic_rise", p["sodium_age"])
    slow = (
        "Then at most {p.sodium_rise_critical} in the first 24 h ({p.sodium_rise_critical_high_risk} at high risk of osmotic demyelination); the bolus counts.",
        "Stop hypotonic fluid and what lowers sodium: thiazide, desmopressin, oxcarbazepine, carbamazepine, an SSRI.",
    )
    do: tuple[str, ...] = ("By local protocol: 3 % saline, {p.hypertonic_saline}; the benzodiazepine goes on beside it.", *slow)
    if p.population == "adult":
        do = (*do, "One bolus would raise this sodium by about {gain}, if no urine is passed.")
    found = ("Sodium {measured}, corrected for glucose {sodium}; glucose {glucose}; coma score {gcs}.",)
    cautions = ("A sodium that was low for days corrects itself too fast once its cause is gone: measure it every 2 h.", "Look for another cause as well.")
    base = Words("", found, do, cautions, facts=facts)
    bolus: tuple[Proposal, ...] = (Measure("sodium", "Measure sodium after the bolus"),)
    if p.population == "adult":
        bolus = (
            Give("150 mL of 3 % saline over 20 min", "sodium_chloride", p["hypertonic_saline_amount"], "mg", "water", p["hypertonic_saline_volume"],
                 minutes=p["hypertonic_saline_minutes"]),
            *bolus,
        )  # fmt: skip
    low, lower, lowest = p["sodium_seizure_other_cause_below"], p["sodium_seizure_below"], p["sodium_seizure_deep_below"]
    # A convulsion that is over, at a sodium that was low enough then: what it is now does not ask for another cause.
    explained = AllOf((recovered, Below(Extreme("sodium_for_trend", p["sodium_window_day"], "lowest"), lower)))
    over = replace(
        base,
        summary="Raise sodium slowly: corrected {sodium} after a seizure that is over",
        do=("By local protocol: hypertonic saline only if symptoms come back; correct slowly.", *slow),
    )
    return Advisory(
        code="hyponatraemia-with-seizure",
        title="Low sodium with a seizure or coma",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:sodium",), ("condition:seizure", "condition:status_epilepticus", "condition:eclampsia", "condition:epilepsy_with_status", "condition:febrile_seizure", "analyte:gcs"))),
        branches=(
            Branch("treat", AllOf((ill, Below(sodium, lowest))), "critical", replace(base, summary="Give 3 % saline now: sodium {sodium} with seizure or coma"), bolus),
            Branch("over and awake", AllOf((ill, Between(sodium, lowest, lower), recovered)), "warning", over),
            Branch("treat, less low", AllOf((ill, Below(sodium, lower))), "critical", replace(base, summary="Give 3 % saline now: sodium {sodium} with seizure or coma"), bolus),
            Branch("part cause", AllOf((ill, Between(sodium, lower, low), Not(explained))), "warning", replace(
                base, summary="Look for another cause too: sodium {sodium} is low, but seldom seizes by itself", do=("By local protocol: look for the other cause; correct slowly.", *slow))),
        ),
        sources=(EU, US, CAUSE),
        precedence=(Precedence("absorbs", "provoked-seizure-cause", other_branches=("sodium low",)),),
        touches=SODIUM_TOUCHES,
        always=("critical",),
        without_age=True,
        hazards=("HZ-25",),
        purpose="Hypertonic saline is the treatment of this seizure, and too much of it the next harm.",
    )  # fmt: skip


# B13 ---------------------------------------------------------------------------------------------------------------------------------


def _rising(p: ParameterSet) -> Advisory:
    name, day, two = "sodium_for_trend", p["sodium_window_day"], p["sodium_window_two_days"]
    rise, rise_two, lowest = Change(name, day, "lowest"), Change(name, two, "lowest"), Extreme(name, two, "lowest")
    current = State("sodium measured")
    watched = AllOf((State("sodium measured twice"), current, Below(lowest, p["sodium_rise_applies_below"])))
    potassium = if_known("potassium", p["minerals_age"], Below(Latest("potassium", p["minerals_age"]), p["demyelination_potassium"]))
    at_risk = AnyOf((AtMostValue(lowest, p["demyelination_sodium"]), potassium, HasCondition(AT_RISK)))
    facts: dict[str, Expression] = {
        "rise": rise, "rise_two": rise_two, "lowest": lowest, "sodium": Formula(name, p["sodium_age"]), "potassium": Latest("potassium", p["minerals_age"]),
    }  # fmt: skip
    do = (
        "By local protocol: stop hypertonic and isotonic saline, and replace water: {p.sodium_lowering}.",
        "Sodium every 2 h; look at the urine: a brisk diuresis raises sodium by itself.",
    )
    cautions = (
        "Potassium given raises sodium too.",
        "A fall that is known to be younger than two days stands a faster rise; the record does not always say.",
        "Falling glucose raises the measured sodium: the corrected one is taken here where a glucose was drawn with it.",
    )
    differs = (f"Guidelines differ on the rise in 24 h: more than {guidelines_print(p, 'sodium_rise_critical')}.",) if p.population == "adult" else ()

    def words(summary: str) -> Words:
        return Words(summary, ("Corrected sodium now {sodium}; the lowest in two days {lowest}; potassium {potassium}.",), do, cautions, differs, facts=facts)

    acute = HasCondition(("acute_hyponatraemia",))
    again = (Measure("sodium", "Measure sodium again in 2 h"),)

    def branches(*given: tuple[str, Criterion, str, str]) -> tuple[Branch, ...]:
        """Each branch one step lower where the low sodium is known to be younger than two days, then as it is."""
        milder = [
            Branch(f"{name_}, known acute", AllOf((watched, acute, when)), lowered(indicator), words(summary), again) for name_, when, indicator, summary in given
        ]
        return (*milder, *(Branch(name_, AllOf((watched, when)), indicator, words(summary), again) for name_, when, indicator, summary in given))

    fast = "Slow the correction: sodium {rise}, above {p.%s} in 24 h"
    return Advisory(
        code="sodium-correction-too-fast",
        title="Sodium corrected too fast",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:sodium",),)),
        branches=branches(
            ("too fast, high risk", AllOf((at_risk, Above(rise, p["sodium_rise_critical_high_risk"]))), "critical", fast % "sodium_rise_critical_high_risk"),
            ("too fast", Above(rise, p["sodium_rise_critical"]), "critical", fast % "sodium_rise_critical"),
            ("too fast in two days", Above(rise_two, p["sodium_rise_two_days"]), "critical",
                   "Slow the correction: sodium {rise_two}, above {p.sodium_rise_two_days} in 48 h"),
            ("near the limit, high risk", AllOf((at_risk, AtLeastValue(rise, p["sodium_rise_warning_high_risk"]))), "warning",
                   "Slow the correction: sodium {rise}; the limit at high risk is {p.sodium_rise_critical_high_risk} in 24 h"),
            ("near the limit", AtLeastValue(rise, p["sodium_rise_warning"]), "warning",
                   "Slow the correction: sodium {rise}; the limit is {p.sodium_rise_critical} in 24 h"),
        ),
        sources=(EU, US),
        touches=SODIUM_TOUCHES,
        without_age=True,
        hazards=("HZ-25",),
        purpose="Osmotic demyelination is made by treatment, and shows days after it.",
    )  # fmt: skip


# N8 ----------------------------------------------------------------------------------------------------------------------------------


def _falling(p: ParameterSet) -> Advisory:
    day = p["sodium_window_day"]
    highest = Extreme("sodium", day, "highest")
    high = AllOf((State("sodium measured twice"), State("sodium measured"), Above(highest, p["hypernatraemia_above"])))
    fall: Expression = Change("sodium", day, "highest")
    limit: Limit = p["sodium_fall_day"]
    when: Criterion = Below(fall, limit)
    if p.population == "child":
        fall = Slope("sodium", day, p["sodium_fall_span"], p["series_apart"])
        when = Below(fall, p["sodium_fall_per_hour"])
    facts: dict[str, Expression] = {"fall": fall, "highest": highest, "sodium": Latest("sodium", p["sodium_age"])}
    return Advisory(
        code="hypernatraemia-correction-too-fast",
        title="High sodium corrected too fast",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:sodium",),)),
        branches=(
            Branch("too fast", AllOf((high, when)), "warning", Words(
                "Slow the correction: sodium {fall}, from {highest}", ("Sodium now {sodium}.",),
                ("By local protocol: less water, more sodium in the fluid; sodium every 4 h.",),
                ("One that rose within hours may fall faster.",), facts=facts), (Measure("sodium", "Measure sodium again in 4 h"),)),
        ),
        sources=("common practice; own rules N8, Q-M19",),
        touches=SODIUM_TOUCHES,
        without_age=True,
        hazards=("HZ-25",),
        purpose="Water that goes into the brain faster than the brain lets its osmoles go.",
    )  # fmt: skip
