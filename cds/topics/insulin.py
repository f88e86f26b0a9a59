"""Insulin that is about to go into a vein: how fast, as a bolus in a child, the wrong kind, and for a high potassium (A8, A9, N1, N2)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Amend, Branch, Give, Measure, Precedence, Proposal, Trigger, Withdraw, Words
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
    Extreme,
    Figure,
    HasCondition,
    Latest,
    Lesser,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    PatientIs,
    RatePerWeight,
    Scaled,
    State,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, both, computable, either, figure_of, held, if_known, insulin_by_vein

PROBLEM = "insulin dose"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
CHILDREN_UK = "BSPED guideline, DKA under 18 years, 2021; NICE NG18"
POTASSIUM = "UK Kidney Association. Treatment of acute hyperkalaemia in adults, 2023"
LABELS = "Labels of insulin products: which may be given by vein"
POISONING = "High-dose insulin for poisoning by a calcium-channel blocker or beta-blocker is real and far higher: this card does not speak of it."

PER_HOUR, PER_KG_HOUR = OfOrder("per_hour", "insulin"), RatePerWeight("insulin")
DOSE, PER_KG = OfOrder("amount", "insulin"), DosePerWeight("insulin")
TOGETHER = Total("insulin", per_kg=True)
BY_VEIN, INFUSION, DRAFTED = OrderIs("intravenous"), OrderIs("infusion"), OrderIs("drafted")
# A bare dose is one push: no rate and no time. A bag without a rate is none, and at order-select the rate is not chosen yet (F-11).
PUSH = AnyOf((OrderIs("push"), AllOf((OrderIs("detail expected"), Not(INFUSION), Not(OrderIs("diluent stated")), Not(NotComputable(DOSE))))))


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The insulin advisories for one population. Figures and sources: insulin.toml."""
    return (_wrong_insulin(p), _bolus_in_child(p), _rate(p), _for_potassium(p))


def _sources(p: ParameterSet) -> tuple[str, ...]:
    return (CHILDREN, CHILDREN_UK) if p.population == "child" else (CONSENSUS, UK, US)


# A8 ----------------------------------------------------------------------------------------------------------------------------------


def _rate(p: ParameterSet) -> Advisory:
    return Advisory(
        code="insulin-rate-out-of-range",
        title="Insulin rate out of range",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin"),)),
        over=OrderFilter(("insulin",), "either"),
        branches=(*_pushes(p), *_rates(p), *_under_the_skin(p), _unreadable()),
        sources=_sources(p),
        touches=CRISIS_TOUCHES,
        hazards=("HZ-04", "HZ-05", "HZ-17", "HZ-18", "HZ-22", "HZ-38"),
        purpose="A ten-fold insulin rate, a rate read in mL for units, and one too low to stop ketones.",
    )


def _facts(p: ParameterSet) -> dict[str, Expression]:
    weight = Latest("weight", p["weight_age"])
    return {
        "rate": PER_HOUR,
        "together": Total("insulin"),
        "per_kg": PER_KG_HOUR,
        "weight": weight,
        "start": Scaled(weight, p["insulin_rate_start"], "[iU]/h"),
        "reduced": Scaled(weight, p["insulin_rate_reduced"], "[iU]/h"),
        "glucose": Latest("glucose", p["glucose_age_on_insulin"]),
    }


def _rates(p: ParameterSet) -> tuple[Branch, ...]:
    """Infusions. Where the glucose is not known the rows that hold at any glucose decide; the others are UNKNOWN (R-m23)."""
    crisis, ketotic = State("crisis context"), State("ketoacidosis context")
    glucose = Latest("glucose", p["glucose_age_on_insulin"])
    fed, sweet = Below(glucose, p["ketoacidosis_glucose_added_below"]), Not(Below(glucose, p["ketoacidosis_glucose_added_below"]))
    # Outside a crisis an adult who was not weighed is judged by the units an hour alone: nobody weighs a patient for a sliding scale.
    no_weight = NoneWithin(("weight",), p["weight_age"])
    far: list[Criterion] = [AllOf((either((crisis, Not(no_weight)) if p.population == "adult" else (PatientIs("child"),)), _rate_is(p, "insulin_rate_extreme", AtLeastValue)))]
    high: list[Criterion] = [
        AllOf((crisis, ketotic, AnyOf((_rate_is(p, "insulin_rate_high", Above), AllOf((fed, _rate_is(p, "insulin_rate_high_with_glucose", Above))))))),
        AllOf((crisis, Not(ketotic), _rate_is(p, "insulin_rate_high_hyperosmolar", Above))),
        AllOf((crisis, _rate_is(p, "insulin_rate_high", Above), _rate_is(p, "insulin_rate_high_hyperosmolar", Above))),
    ]
    if held(p, "insulin_per_hour_extreme"):
        far.append(computable(PER_HOUR, Above(PER_HOUR, p["insulin_per_hour_extreme"])))
        high.append(computable(PER_HOUR, Above(PER_HOUR, p["insulin_per_hour_high"])))
    low = AllOf(
        (State("ketoacidosis going on"), AnyOf((_rate_is(p, "insulin_rate_low_with_glucose", Below), AllOf((sweet, _rate_is(p, "insulin_rate_low", Below))))))
    )
    sums = "For {weight}: {p.insulin_rate_start} is {start}, {p.insulin_rate_reduced} is {reduced}."
    found = (sums, "All insulin by vein, with the drafts: {together}.")
    facts = _facts(p)
    check = "Look at the order by local protocol: rate, weight, units or mL, strength of the syringe or bag."
    cautions = (POISONING, "A weight that is wrong or estimated shifts every rate per kilogram.")
    take_out: tuple[Proposal, ...] = (Withdraw("Take this insulin out of the orders and write it again"),)
    flows = AllOf((BY_VEIN, INFUSION, Not(_dose_for_potassium(p)))) if held(p, "insulin_push_for_potassium") else AllOf((BY_VEIN, INFUSION))
    team = ("Ask the specialist team before this rate goes on.",) if p.population == "child" else ("Above {p.insulin_per_hour_high} ask a senior or the diabetes team.",)
    branches = [
        *_with_and_without_weight(
            p, "far too fast", "critical", AllOf((flows, either(far))),
            "check this rate now, ten-fold or mL read as units?", Words("Insulin {}", found, (check, *team), cautions, facts=facts), take_out,
        ),
        *_with_and_without_weight(
            p, "too fast", "warning", AllOf((flows, either(high))),
            "above the usual range, check rate and weight", Words("Insulin {}", (*found, "Glucose now: {glucose}."), (check, *team), cautions, facts=facts), (),
        ),
        Branch(
            "too low", AllOf((BY_VEIN, INFUSION, low)), "warning",
            Words(
                "Insulin {per_kg} is too low to stop ketones: check the rate, add glucose if it falls",
                (*found, "Glucose now: {glucose}. Ketoacidosis is not shown to be over."),
                (check, "By local protocol: for {weight} usually {start}, or {reduced} with glucose beside it; where glucose falls give glucose rather than less insulin."),
                (*cautions, "A low potassium or a low glucose is a reason to slow insulin: those cards go first."), facts=facts,
            ),
        ),
    ]  # fmt: skip
    if held(p, "insulin_rate_less_from"):
        branches.append(
            Branch(
                "consider less",
                AllOf((BY_VEIN, INFUSION, crisis, ketotic, _rate_is(p, "insulin_rate_less_from", AtLeastValue), Below(glucose, p["ketoacidosis_glucose_added_below"]))), "info",
                Words(
                    "Insulin {per_kg} at glucose {glucose}: decide whether to reduce to {reduced}", found,
                    ("By local protocol: once glucose is added many reduce insulin to {p.insulin_rate_with_glucose}.",), cautions, facts=facts,
                ),
            )
        )  # fmt: skip
    return tuple(branches)


def _dose_for_potassium(p: ParameterSet) -> Criterion:
    """The usual dose for a high potassium in a small bag: ten units over a quarter of an hour are no infusion of forty units an hour."""
    potassium, minutes = Latest("potassium", p["potassium_age_to_start"]), OfOrder("duration_minutes", "insulin")
    brief = computable(minutes, AtMostValue(minutes, p["insulin_for_potassium_dose_minutes"]))
    return AllOf((brief, computable(DOSE, AtMostValue(DOSE, p["insulin_push_for_potassium"])), if_known("potassium", p["potassium_age_to_start"], AtLeastValue(potassium, p["insulin_for_potassium_from"]))))


def _with_and_without_weight(
    p: ParameterSet, name: str, indicator: str, when: Criterion, tail: str, words: Words, proposals: tuple[Proposal, ...]
) -> tuple[Branch, ...]:
    """One branch that names the dose per kilogram, and one that names the units alone where nobody weighed the patient. `words.summary` names the insulin."""
    what = words.summary
    not_weighed = replace(words, summary=f"{what.format('{rate}')}, weight not known: {tail}", found=words.found[1:])
    return (
        Branch(f"{name}, not weighed", AllOf((NoneWithin(("weight",), p["weight_age"]), when)), indicator, not_weighed, proposals),
        Branch(name, when, indicator, replace(words, summary=f"{what.format('{per_kg}')}: {tail}"), proposals),
    )


def _rate_is(p: ParameterSet, key: str, test: type[Above] | type[AtLeastValue] | type[Below]) -> Criterion:
    """The rate against a limit: drafts that begin together are judged by their sum (HZ-38); a draft beside a running infusion is a change of it (Q-M10)."""
    together = AllOf((DRAFTED, Not(State("insulin shown running")), Not(NotComputable(TOGETHER))))
    return AnyOf((AllOf((together, test(TOGETHER, p[key]))), AllOf((Not(together), test(PER_KG_HOUR, p[key])))))


def _pushes(p: ParameterSet) -> tuple[Branch, ...]:
    """One push in an adult; a child has a code of its own."""
    if not held(p, "insulin_push_high"):
        return ()
    weight = Latest("weight", p["weight_age"])
    facts: dict[str, Expression] = {
        "rate": DOSE, "per_kg": PER_KG, "weight": weight, "usual": Scaled(weight, p["insulin_push_usual"], "[iU]"), "potassium": Latest("potassium", p["potassium_age_to_start"]),
    }  # fmt: skip
    usual = Lesser((Scaled(weight, p["insulin_push_usual"], "[iU]"), Figure(p["insulin_push_for_potassium"])))
    amend = (Amend("Change the push to the usual dose", dose=usual, round_to=p["transition_whole_units"]), Withdraw("Take this insulin push out"))
    found = ("For {weight}, {p.insulin_push_usual} is {usual}.",)
    do = ("Look at the order by local protocol: units or mL, strength, weight; have a second person read it.",)
    cautions = (POISONING, "Glucose goes with every push for a high potassium, and is measured for {p.insulin_for_potassium_watch} after it.")

    def above(per_kg: str, units: str) -> Criterion:
        return AnyOf((Above(DOSE, p[units]), Above(PER_KG, p[per_kg])))

    potassium = AllOf((AtLeastValue(Latest("potassium", p["potassium_age_to_start"]), p["insulin_for_potassium_from"]), AtMostValue(DOSE, p["insulin_push_for_potassium"])))
    return (
        *_with_and_without_weight(
            p, "push, far too much", "critical", AllOf((BY_VEIN, PUSH, above("insulin_push_extreme", "insulin_push_extreme_units"))),
            "check this dose now, it may be ten-fold", Words("Insulin push {}", found, do, cautions, facts=facts), amend,
        ),
        Branch(
            "push for a high potassium", AllOf((BY_VEIN, PUSH, potassium, Above(PER_KG, p["insulin_push_high"]))), "info",
            Words(
                "Insulin push {rate} for potassium {potassium} is usual: check glucose often in a light patient", found,
                ("By local protocol: glucose with it, measured for {p.insulin_for_potassium_watch}; the lighter the patient, the lower glucose falls. This is {per_kg}.",), cautions, facts=facts,
            ),
        ),
        *_with_and_without_weight(
            p, "push, too much", "warning", AllOf((BY_VEIN, PUSH, above("insulin_push_high", "insulin_push_high_units"))),
            "above the usual dose, check units and weight", Words("Insulin push {}", found, do, cautions, facts=facts), amend,
        ),
    )  # fmt: skip


def _under_the_skin(p: ParameterSet) -> tuple[Branch, ...]:
    if not held(p, "insulin_skin_high"):
        return ()
    fast = AllOf((DRAFTED, OrderHas(("rapid_insulin", "insulin_soluble", "other_short_insulin"), "active"), Not(BY_VEIN), State("crisis context")))
    facts: dict[str, Expression] = {"per_kg": PER_KG}
    do = ("By local protocol: in mild ketoacidosis fast insulin under the skin is {p.insulin_skin_usual}; look at units and weight.",)
    cautions = ("Doses under the skin add up: one given before still works.",)
    return tuple(
        Branch(
            name, AllOf((fast, Above(PER_KG, p[key]))), indicator,
            Words(summary, (), do, cautions, facts=facts), (Withdraw("Take this insulin dose out and write it again"),),
        )
        for name, key, indicator, summary in (
            ("under the skin, far too much", "insulin_skin_extreme", "critical", "Insulin {per_kg} under the skin: check this dose now, it may be a mistake"),
            ("under the skin, too much", "insulin_skin_high", "warning", "Insulin {per_kg} under the skin: high for one dose in a crisis, check it"),
        )
    )  # fmt: skip


def _unreadable() -> Branch:
    """A rate that cannot be read is said by the insulin's own code; at order-select it is not chosen yet (F-11)."""
    return Branch(
        "rate not readable",
        AllOf((BY_VEIN, DRAFTED, OrderIs("detail expected"), Not(PUSH), NotComputable(PER_HOUR), State("crisis shown"))), "warning",
        Words(
            "Insulin by vein: state units per hour and the weight, its rate cannot be worked out",
            ("The rate was not checked.",), ("State units per hour, or mL per hour with the units in each mL, by local protocol.",),
            ("A usual syringe holds {p.insulin_syringe_usual}; that is not assumed here.",), facts={},
        ),
    )  # fmt: skip


# A9 ----------------------------------------------------------------------------------------------------------------------------------


def _bolus_in_child(p: ParameterSet) -> Advisory:
    minutes = OfOrder("duration_minutes", "insulin")
    bolus = AnyOf((PUSH, computable(minutes, AtMostValue(minutes, p["insulin_bolus_minutes"]))))
    crisis = AnyOf((State("crisis context"), HasCondition(("diabetic_ketoacidosis", "hyperosmolar_state"))))
    weight = Latest("weight", p["weight_age"])
    facts: dict[str, Expression] = {"dose": DOSE, "weight": weight, "start": Scaled(weight, p["insulin_rate_start"], "[iU]/h"), "reduced": Scaled(weight, p["insulin_rate_reduced"], "[iU]/h")}
    after = "Insulin starts {p.insulin_after_fluid} after the first fluid." if held(p, "insulin_after_fluid") else "Insulin starts after fluid."
    return Advisory(
        code="insulin-bolus-in-child",
        title="Insulin bolus in a child with a hyperglycaemic crisis",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:insulin",), ("population:child",))),
        over=insulin_by_vein("drafted"),
        branches=(
            Branch(
                "bolus", AllOf((PatientIs("child"), BY_VEIN, bolus, crisis)), "critical",
                Words(
                    "No insulin bolus in this child ({dose}): use an infusion, {reduced} to {start}",
                    ("A bolus raises the risk of cerebral oedema and of a low potassium.",),
                    ("By local protocol and with the specialist team: an infusion of {p.insulin_rate_reduced} to {p.insulin_rate_start}, for {weight} {reduced} to {start}.", after),
                    ("A very high potassium with ketoacidosis is treated with the specialist team at the bedside.",), facts=facts,
                ),
                (Withdraw("Take the insulin bolus out"),),
            ),
        ),
        sources=(CHILDREN, CHILDREN_UK, "Review of ketoacidosis treatment, PMC7328526, table 11: no insulin bolus in children"),
        touches=CRISIS_TOUCHES,
        precedence=(Precedence("silences", "insulin-rate-out-of-range", scope="order"),),
        hazards=("HZ-17", "HZ-36"),
        purpose="An insulin bolus in a child with ketoacidosis.",
    )  # fmt: skip


# N1 ----------------------------------------------------------------------------------------------------------------------------------


def _wrong_insulin(p: ParameterSet) -> Advisory:
    strength = OfOrder("concentration", "insulin")
    facts: dict[str, Expression] = {}
    do = ("By local protocol: soluble human insulin is the insulin for veins; take this order out and write that one.",)
    cautions = ("Look at the product in the hand, not only at the order: names of insulins are alike.",)
    take_out: tuple[Proposal, ...] = (Withdraw("Take this insulin out of the orders"),)
    skin_only = "This insulin is made for under the skin: by vein its action cannot be steered."
    return Advisory(
        code="wrong-insulin-for-intravenous-use",
        title="Wrong insulin for intravenous use",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin"),)),
        over=insulin_by_vein("either"),
        branches=(
            Branch(
                "long-acting, intermediate or premixed", AllOf((BY_VEIN, OrderHas(("basal_insulin", "premixed_insulin"), "active"))), "critical",
                Words("Stop {order} by vein: not for veins, use soluble insulin", (skin_only,), do, cautions, facts=facts), take_out,
            ),
            Branch(
                "concentrated", AllOf((BY_VEIN, computable(strength, Above(strength, p["insulin_strength_usual"])))), "critical",
                Words(
                    "Stop {order} by vein: stronger than {p.insulin_strength_usual}, use the usual strength",
                    (skin_only,), do, cautions, facts=facts,
                ),
                take_out,
            ),
            Branch(
                "rapid-acting", AllOf((BY_VEIN, OrderHas(("rapid_insulin",), "active"))), "info",
                Words(
                    "{order} by vein: check local policy, soluble insulin is usual",
                    ("Rapid-acting insulins work no faster by vein.",), ("Follow local policy on which insulin goes into a vein.",), cautions, facts=facts,
                ),
            ),
        ),
        sources=(LABELS, CONSENSUS),
        touches=CRISIS_TOUCHES,
        # It is the product that is wrong, at any age.
        without_age=True,
        hazards=("HZ-11",),
        purpose="An insulin by vein that was made for under the skin.",
    )  # fmt: skip


# N2 ----------------------------------------------------------------------------------------------------------------------------------


def _for_potassium(p: ParameterSet) -> Advisory:
    minutes = OfOrder("duration_minutes", "insulin")
    one_dose = AnyOf((PUSH, computable(minutes, AtMostValue(minutes, p["insulin_for_potassium_dose_minutes"]))))
    high = Extreme("potassium", p["insulin_for_potassium_watch"], "highest")
    now, glucose = Latest("potassium", p["potassium_age_to_start"]), Latest("glucose", p["glucose_age_on_insulin"])
    no_crisis = Not(State("crisis shown"))
    meant = AllOf((no_crisis, if_known("potassium", p["potassium_age_to_start"], AtLeastValue(now, p["insulin_for_potassium_from"])), AnyOrder(OrderFilter(("insulin",), "drafted", "intravenous"), one_dose)))
    given = AnyOrder(
        OrderFilter(("insulin",), "given", "intravenous", started_within=p["insulin_for_potassium_watch"], started_before=p["glucose_age_on_insulin"]), one_dose
    )
    facts: dict[str, Expression] = {"potassium": now, "glucose": glucose}
    after_facts: dict[str, Expression] = {"potassium": high, "last": Latest("glucose", p["last_known_age"])}
    watch = "Measure glucose {p.insulin_for_potassium_glucose_times}."
    follow = "By local protocol: {p.insulin_for_potassium_follow_on} after the insulin and its glucose."
    cautions = ("Calcium and insulin for a dangerous potassium are not held back by this.", "Low weight, poor kidneys and no diabetes make a low glucose likelier.")
    recheck = (Measure("glucose", "Measure glucose now, and again every hour"),)
    volume, hours = "insulin_for_potassium_offer_volume", "insulin_for_potassium_offer_hours"
    label = f"Add glucose 10 %, {figure_of(p, volume)} over {figure_of(p, hours)}, after the insulin"
    offer: tuple[Proposal, ...] = ()
    if held(p, volume):
        offer = (Give(label, "glucose", p["insulin_for_potassium_offer_amount"], "g", volume_ml=p[volume], hours=p[hours]),)
    return Advisory(
        code="hypoglycaemia-after-insulin-for-hyperkalaemia",
        title="Low glucose after insulin for a high potassium",
        problem="low glucose",
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin", "listed:insulin"), ("analyte:potassium",))),
        branches=(
            Branch(
                "glucose low already", both((meant, Below(glucose, p["hypoglycaemia_below"]))), "warning",
                Words(
                    "Glucose {glucose} before insulin for potassium {potassium}: give glucose first, then insulin with glucose",
                    (), ("By local protocol: treat the low glucose now; insulin goes only with more glucose.", follow, watch), cautions, facts=facts,
                ),
                recheck,
            ),
            Branch(
                "glucose will fall", AllOf((meant, Below(glucose, p["insulin_for_potassium_glucose_below"]), Not(State("glucose follow-on ordered")))), "warning",
                Words(
                    "Insulin for potassium {potassium} at glucose {glucose}: add a glucose infusion, none follows it",
                    ("Below {p.insulin_for_potassium_glucose_below} the glucose given with the insulin is soon used up.",), (follow, watch), cautions, facts=facts,
                ),
                (*offer, *recheck),
            ),
            Branch(
                "not watched",
                AllOf((no_crisis, given, computable(high, AtLeastValue(high, p["insulin_for_potassium_from"])), NoneWithin(("glucose",), p["glucose_age_on_insulin"]))), "warning",
                Words(
                    "Insulin was given for potassium {potassium}: measure glucose now, none in {p.glucose_age_on_insulin}",
                    ("Last glucose on record: {last}, {last.age}.",), (f"By local protocol: {watch[:1].lower()}{watch[1:]}",), cautions, facts=after_facts,
                ),
                recheck,
            ),
        ),
        sources=(POTASSIUM,),
        touches=("insulin", "glucose_fluid", "potassium_salt", "calcium_salt"),
        touched=("critical", "warning"),
        hazards=("HZ-06", "HZ-24", "HZ-36"),
        purpose="A low glucose in the hours after insulin for a high potassium.",
    )  # fmt: skip
