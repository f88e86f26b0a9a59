"""Orders that an acidosis forbids or does not ask for: metformin, bicarbonate (A17, A18)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
    OrderFilter,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, computable, guidelines_print, if_known, word

ACIDOSIS = "acidosis"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
METFORMIN = "FDA label of metformin, section 4: eGFR below 30, metabolic acidosis"
LACTIC = "Definition of metformin-associated lactic acidosis. Eur J Clin Pharmacol 2020;76:815"
DIALYSIS = "Calello DP et al. Extracorporeal treatment for metformin poisoning (EXTRIP). Crit Care Med 2015;43:1716"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about metformin and bicarbonate for one population. Figures and sources: acidosis.toml."""
    return (_metformin(p), _bicarbonate(p))


# A17 ---------------------------------------------------------------------------------------------------------------------------------


def _metformin(p: ParameterSet) -> Advisory:
    age, lactate, ph = p["result_age"], Latest("lactate", p["lactate_age"]), Latest("ph", p["result_age"])
    rate = Formula("schwartz" if p.population == "child" else "ckd_epi", p["creatinine_window"])
    facts: dict[str, Expression] = {"lactate": lactate, "ph": ph, "bicarbonate": Latest("bicarbonate", age), "rate": rate}
    known = Not(NoneWithin(("lactate",), p["lactate_age"], read=True))
    lactic = AllOf((known, if_known("ph", age, Below(ph, p["metformin_ph_critical"])), Above(lactate, p["metformin_lactate_critical"])))
    acid = AnyOf((AllOf((State("gas measured"), State("acid blood"))), State("ketoacidosis criteria met")))
    do = (
        "By local protocol: stop it now; lactate and creatinine, and again in a few hours.",
        "Lactate above {p.metformin_dialysis_lactate}, pH {p.metformin_dialysis_ph} or less, shock, or no improvement: call the kidney team for dialysis.",
    )
    cautions = ("A convulsion raises lactate: within {p.post_ictal_minutes} of one repeat it at that time before acting on it.",)
    stop = (Withdraw("Stop metformin"),)

    def words(summary: str) -> Words:
        return Words(summary, ("Lactate {lactate}, pH {ph}, bicarbonate {bicarbonate}, estimated filtration rate {rate}.",), do, cautions, facts=facts)

    return Advisory(
        code="metformin-in-acidosis",
        title="Metformin in acidosis or kidney failure",
        problem="metformin",
        kind="order",
        trigger=Trigger((("drafted:metformin", "running:metformin", "listed:metformin"),)),
        over=OrderFilter(("metformin",), "active"),
        branches=(
            Branch("lactic acidosis", lactic, "critical", words("Stop metformin: lactate {lactate} with pH {ph}"), stop),
            Branch("acidosis", acid, "warning", words("Stop metformin: acidosis (pH {ph}, bicarbonate {bicarbonate})"), stop),
            Branch("kidney failure", computable(rate, Below(rate, p["metformin_egfr_below"])), "warning", words(
                "Stop metformin: estimated filtration rate {rate}, below {p.metformin_egfr_below}"), stop),
            Branch("lactate raised", AllOf((known, AtLeastValue(lactate, p["lactate_high"]))), "warning", words("Stop metformin for now: lactate {lactate}"), stop),
        ),
        sources=(METFORMIN, LACTIC, DIALYSIS),
        touches=CRISIS_TOUCHES,
        without_age=True,
        hazards=("HZ-11",),
        purpose="A medicine that goes on being given while the acidosis that it may cause is treated.",
    )  # fmt: skip


# A18 ---------------------------------------------------------------------------------------------------------------------------------


def _bicarbonate(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ph, potassium = Latest("ph", age), Latest("potassium", p["potassium_age_in_crisis"], p["together"])
    never = word(p, "bicarbonate_given") == "not at all"
    low_potassium = if_known("potassium", p["potassium_age_in_crisis"], Below(potassium, p["bicarbonate_needs_potassium"]))
    context = State("ketoacidosis context")
    facts: dict[str, Expression] = {
        "ph": ph, "bicarbonate": Latest("bicarbonate", age), "potassium": potassium, "calcium": Latest("calcium_ionised", p["minerals_age"]),
    }  # fmt: skip
    do = ["Leave it out by local protocol: insulin, fluid and potassium correct a ketoacidosis."]
    if p.population == "adult" and not never:
        do.append("Below pH {p.bicarbonate_indicated_below}: {p.bicarbonate_dose}, with a potassium each time.")
    cautions = (
        "It lowers potassium and ionised calcium, brings sodium, and acidifies the brain for a while; never in one line with calcium.",
        "Given for a high potassium, a poisoning or a cardiac arrest it is another matter: state the reason.",
    )

    def words(summary: str) -> Words:
        differs = (f"Guidelines differ: bicarbonate below pH {guidelines_print(p, 'bicarbonate_indicated_below')}; uk-2023 not routinely.",) if p.population == "adult" else ()
        return Words(summary, ("pH {ph}, bicarbonate {bicarbonate}, potassium {potassium}, ionised calcium {calcium}.",), tuple(do), cautions, differs, facts=facts)

    out = (Withdraw("Take the bicarbonate out", recommended=True),)
    branches: list[Branch] = []
    if p.population == "child":
        branches.append(Branch("in a child", context, "critical", words("Give no bicarbonate: in a child's ketoacidosis it goes with cerebral oedema (pH {ph})"), out))
    else:
        not_indicated: Criterion = Not(NoneWithin(("ph",), age)) if never else if_known("ph", age, AtLeastValue(ph, p["bicarbonate_indicated_below"]))
        branches += [
            Branch("not indicated, potassium low", AllOf((context, not_indicated, low_potassium)), "critical", words(
                "Give no bicarbonate at pH {ph}: it lowers a potassium of {potassium}"), out),
            Branch("not indicated", AllOf((context, not_indicated)), "warning", words("Give no bicarbonate: ketoacidosis with pH {ph} does not need it"), out),
            Branch("pH not known", AllOf((context, NoneWithin(("ph",), age))), "warning", words(
                "Measure a gas before this bicarbonate: no pH in the last {p.result_age}"), (Measure("ph", "Measure a blood gas now"),)),
        ]  # fmt: skip
        if not never:
            branches.append(Branch("potassium first", AllOf((context, low_potassium)), "warning", words(
                "Give potassium before or with this bicarbonate: potassium {potassium}, pH {ph}")))  # fmt: skip
    poisoned = HasCondition(("poisoning_salicylate", "poisoning_sodium_channel_blocker", "poisoning_tricyclic", "cardiac_arrest", "dialysis", "end_stage_renal"))
    for_potassium = if_known("potassium", p["potassium_age_in_crisis"], AtLeastValue(potassium, p["bicarbonate_for_potassium"]))
    return Advisory(
        code="bicarbonate-without-indication",
        title="Bicarbonate in ketoacidosis without indication",
        problem="bicarbonate",
        kind="order",
        trigger=Trigger((("drafted:bicarbonate", "running:bicarbonate"),)),
        over=OrderFilter(("bicarbonate",), "either", "intravenous"),
        branches=tuple(branches),
        sources=(CHILDREN,) if p.population == "child" else (CONSENSUS,),
        quiet=AnyOf((for_potassium, poisoned)),
        touches=CRISIS_TOUCHES,
        asks_itself=("ph",),
        hazards=("HZ-17",),
        purpose="Bicarbonate does not help a ketoacidosis above the line, and harms at a low potassium and in a child.",
    )  # fmt: skip
