"""Potassium and insulin: what must be known before insulin runs by vein, and a low potassium that nobody replaces (A6, A7, B3)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    HasOrder,
    Latest,
    NoneWithin,
    NoOrder,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    Since,
    State,
    Total,
)
from cds.parameters import Limit, ParameterSet
from cds.states.parts import (
    CRISIS_TOUCHES,
    POTASSIUM_ORDERS,
    POTASSIUM_TOUCHES,
    figure_of,
    full_rate_insulin,
    guidelines_print,
    held,
    if_known,
    in_band_between_guidelines,
    insulin_by_vein,
    low_rate_insulin,
    potassium_in_crisis,
    potassium_on_the_ward,
)

PROBLEM = "potassium before insulin"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"



def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The potassium advisories for one population. Figures and sources: potassium.toml."""
    return (
        _insulin_with_low_potassium(p),
        _insulin_without_recent_potassium(p),
        _potassium_replacement_missing(p),
    )


# A6 ----------------------------------------------------------------------------------------------------------------------------------


def _insulin_with_low_potassium(p: ParameterSet) -> Advisory:
    potassium, ward = potassium_in_crisis(p), potassium_on_the_ward(p)
    facts: dict[str, Expression] = {"potassium": potassium, "given": Total("potassium")}
    ward_facts: dict[str, Expression] = {"potassium": ward, "given": Total("potassium")}
    by_vein, drafted, full = OrderIs("intravenous"), OrderIs("drafted"), full_rate_insulin(p)
    low = Below(potassium, p["insulin_needs_potassium_at_least"])
    very_low = Below(potassium, p["insulin_pause_potassium_below"])
    retest = (
        Measure("potassium", "Measure potassium again within the hour (a blood gas will do)"),
        Measure("magnesium", "Measure magnesium: potassium does not come up while it is low", unless_within=p["minerals_age"]),
    )
    take_out = (Withdraw("Take the insulin out of this order until potassium is high enough"), *retest)
    given = "Potassium ordered now, with this order: {given}."
    cautions = (
        "The wait is for an hour or two while potassium runs, not for the day: ketoacidosis goes on without insulin.",
        "Bicarbonate lowers potassium further.",
        "High-dose insulin for poisoning by a calcium-channel blocker or beta-blocker is not held for this; there the aim is {p.poisoning_potassium_above} or more.",
    )
    replace_first = (
        "By local protocol: potassium {p.potassium_infusion_usual} mmol/h by vein, ECG monitor on, central line if the concentration needs it.",
        "Start insulin when potassium is {p.insulin_needs_potassium_at_least} or more; measure it again in {p.potassium_recheck}.",
        "Check magnesium.",
    )
    child_first = (
        "By local protocol and with the specialist team: potassium {p.potassium_infusion_usual} by vein, ECG monitor on.",
        "Delay insulin until potassium is {p.insulin_needs_potassium_at_least} or more; measure it again in {p.potassium_recheck}.",
        "Check magnesium.",
    )
    first = child_first if p.population == "child" else replace_first
    hold = Words(
        "Potassium {potassium}: give potassium before the insulin infusion starts",
        (given, "Insulin moves potassium into cells and will push it lower."), first, cautions, facts=facts,
    )  # fmt: skip
    between = in_band_between_guidelines(potassium, p, "insulin_needs_potassium_at_least")
    branches: list[Branch] = [
        Branch(
            "very low, low-rate insulin outside a crisis",
            AllOf((by_vein, low_rate_insulin(p), Below(ward, p["insulin_pause_potassium_below"]))), "critical",
            Words(
                "Potassium {potassium} with low-rate insulin: give potassium now; slow or pause insulin",
                (given, "The insulin runs at a low rate and no hyperglycaemic crisis is shown."),
                ("By local protocol: replace potassium by vein with ECG monitoring; decide with a senior whether insulin is slowed or paused.",
                 "In type 1 diabetes do not leave the patient without any insulin: give glucose beside it and set a restart time.", "Check magnesium."),
                cautions, facts=ward_facts,
            ),
            retest,
        ),
        Branch(
            "low, low-rate insulin outside a crisis",
            AllOf((by_vein, low_rate_insulin(p), Below(ward, p["low_rate_potassium_below"]))), "warning",
            Words(
                "Potassium {potassium} with low-rate insulin: replace potassium and keep the insulin going",
                (given, "The insulin runs at a low rate and no hyperglycaemic crisis is shown: the hold rule of a crisis is not used."),
                ("By local protocol: replace potassium; do not stop the only insulin of type 1 diabetes.", "Measure potassium again within hours; check magnesium."),
                ("Ketones or a gas that are not known could hide a crisis.",), facts=ward_facts,
            ),
            retest,
        ),
        Branch(
            "very low, running", AllOf((by_vein, full, Not(drafted), very_low, low)), "critical",
            Words(
                "Potassium {potassium} on running insulin: pause insulin now, give potassium",
                (given,),
                ("By local protocol: pause the insulin now with a restart time; resume at {p.insulin_needs_potassium_at_least} or more.", *first), cautions, facts=facts,
            ),
            retest,
        ),
        Branch(
            "low, running, potassium given",
            AllOf((by_vein, full, Not(drafted), low, AtLeastValue(Total("potassium", "running"), p["insulin_slow_potassium_from"]))), "critical",
            Words(
                "Potassium {potassium} on running insulin and potassium: slow or pause insulin, senior now",
                (given,),
                ("Senior decision now, by local protocol: slow or pause the insulin while potassium catches up.", *first), cautions, facts=facts,
            ),
            retest,
        ),
        Branch(
            "low, running", AllOf((by_vein, full, Not(drafted), low)), "critical",
            Words(
                "Potassium {potassium} on running insulin: give potassium, slow or pause insulin",
                (given,), ("By local protocol: potassium now; a senior decides whether the insulin is slowed or paused.", *first), cautions, facts=facts,
            ),
            retest,
        ),
    ]  # fmt: skip
    if between is not None:
        differs = f"Guidelines differ at this potassium. Insulin waits below {guidelines_print(p, 'insulin_needs_potassium_at_least')}."
        branches.append(Branch("low, where guidelines differ", AllOf((by_vein, full, drafted, between)), "critical", replace(hold, differs=(differs,)), take_out))
    branches.append(Branch("low", AllOf((by_vein, full, drafted, low)), "critical", hold, take_out))
    if held(p, "insulin_with_potassium_below"):
        branches.append(
            Branch(
                "low, child", AllOf((by_vein, full, Below(potassium, p["insulin_with_potassium_below"]))), "warning",
                Words(
                    "Potassium {potassium}: insulin in this child only with potassium running",
                    (given,),
                    ("By local protocol and with the specialist team: start potassium in the fluid ({p.potassium_in_fluid} mmol/L) before or with the insulin.",
                     "Measure potassium again in {p.potassium_recheck}."),
                    cautions, facts=facts,
                ),
                retest,
            )
        )  # fmt: skip
    branches.append(
        Branch(
            "low, insulin under the skin in a crisis",
            AllOf((drafted, OrderHas(("rapid_insulin",), "active"), Not(by_vein), State("crisis shown"), low)), "warning",
            Words(
                "Potassium {potassium}: give potassium before rapid-acting insulin in this crisis",
                (given,), first, cautions, facts=facts,
            ),
            retest,
        )
    )  # fmt: skip
    return Advisory(
        code="insulin-with-low-potassium",
        title="Insulin with low potassium",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin"),)),
        over=OrderFilter(("insulin",), "either"),
        branches=tuple(branches),
        sources=(CONSENSUS, UK, US, CHILDREN),
        touches=CRISIS_TOUCHES,
        precedence=(
            Precedence("silences", "insulin-without-recent-potassium"),
            Precedence("silences", "potassium-falling-on-insulin"),
            Precedence("lowers", "insulin-stop-without-overlap"),
            # One card must not ask for more insulin while this one asks for less.
            Precedence("silences", "insulin-rate-out-of-range", other_branches=("too low",)),
            # While insulin waits glucose beside it waits too: a line, not a card that asks for it now.
            Precedence("absorbs", "dextrose-needed-with-insulin", branches=("low", "low, where guidelines differ"), other_branches=("needed", "needed, where guidelines differ", "overdue", "soon")),
        ),
        without_age=True,
        asks_itself=("potassium",),
        hazards=("HZ-06", "HZ-17", "HZ-24", "HZ-25", "HZ-28"),
        purpose="Insulin given on a low potassium can stop the heart.",
    )


# A7 ----------------------------------------------------------------------------------------------------------------------------------


def _insulin_without_recent_potassium(p: ParameterSet) -> Advisory:
    by_vein, drafted = OrderIs("intravenous"), OrderIs("drafted")
    start, running, ward = p["potassium_age_to_start"], p["potassium_age_in_crisis"], p["potassium_age_on_the_ward"]
    # A draft beside running insulin, or one that replaces it, is a change; a push is always new (Q-M10).
    new = AnyOf((AllOf((OrderIs("push"), drafted)), AllOf((OrderIs("new"), Not(State("insulin shown running"))))))
    facts: dict[str, Expression] = {"last": Latest("potassium", p["last_known_age"])}
    last = "Last potassium on record: {last}, {last.age}. It is too old to start or steer insulin on."
    measure = (Measure("potassium", "Measure potassium now (a blood gas will do)"),)
    cautions = ("A haemolysed sample hides a low potassium.", "Where insulin cannot wait, the treating clinician decides by local protocol.")
    return Advisory(
        code="insulin-without-recent-potassium",
        title="Insulin without a recent potassium",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin"),)),
        over=insulin_by_vein("either"),
        branches=(
            Branch(
                "new insulin", AllOf((by_vein, full_rate_insulin(p), new, NoneWithin(("potassium",), start))), "critical",
                Words(
                    "No potassium in the last {p.potassium_age_to_start}: measure potassium before this insulin starts",
                    (last,),
                    ("By local protocol: send potassium on a blood gas now and look at it before the insulin starts.",
                     "Insulin waits below {p.insulin_needs_potassium_at_least}."),
                    cautions, facts=facts,
                ),
                measure,
            ),
            Branch(
                "running, none since it started",
                AllOf(
                    (by_vein, Not(drafted), full_rate_insulin(p), NoneWithin(("potassium",), running),
                     NoneWithin(("potassium",), p["insulin_start_lead"], "insulin start", running), Above(Since("insulin start"), p["insulin_running_long"]))
                ),
                "critical",
                Words(
                    "Insulin running over {p.insulin_running_long} and no potassium since it began: measure potassium now",
                    (last,), ("By local protocol: potassium on a blood gas now; then every {p.potassium_every_on_insulin} while insulin runs.",), cautions, facts=facts,
                ),
                measure,
            ),
            Branch(
                "running or changed", AllOf((by_vein, full_rate_insulin(p), NoneWithin(("potassium",), running))), "warning",
                Words(
                    "No potassium in the last {p.potassium_age_in_crisis} on intravenous insulin: measure potassium now",
                    (last,), ("By local protocol: potassium on a blood gas now; then every {p.potassium_every_on_insulin} while insulin runs.",), cautions, facts=facts,
                ),
                measure,
            ),
            Branch(
                "low-rate insulin outside a crisis", AllOf((by_vein, low_rate_insulin(p), NoneWithin(("potassium",), ward))), "warning",
                Words(
                    "No potassium in the last {p.potassium_age_on_the_ward} on low-rate insulin: measure potassium today",
                    (last, "The insulin runs at a low rate and no hyperglycaemic crisis is shown."),
                    ("By local protocol: measure potassium; do not stop the only insulin of type 1 diabetes for it.",), cautions, facts=facts,
                ),
                measure,
            ),
        ),
        sources=(CONSENSUS, UK, CHILDREN),
        touches=CRISIS_TOUCHES,
        without_age=True,
        asks_itself=("potassium",),
        hazards=("HZ-06", "HZ-07", "HZ-36"),
        purpose="Insulin started blind on potassium.",
    )  # fmt: skip


# B3 ----------------------------------------------------------------------------------------------------------------------------------


def _potassium_replacement_missing(p: ParameterSet) -> Advisory:
    potassium, ward = potassium_in_crisis(p), potassium_on_the_ward(p)
    none = NoOrder(OrderFilter(POTASSIUM_ORDERS, "either"))
    # Every insulin order is a witness, so that a drafted one makes this an advisory about the draft.
    insulin = HasOrder(insulin_by_vein("either"))
    passing, stopped = Not(State("little urine")), State("little urine")
    crisis, low = State("unresolved crisis shown"), Below(potassium, p["potassium_replacement_from"])
    facts: dict[str, Expression] = {"potassium": potassium, "fluid": Total("crystalloid")}
    ward_facts: dict[str, Expression] = {"potassium": ward}

    def on_ward(limit: Limit) -> Criterion:
        """Outside a crisis nobody is asked for a potassium: a value that is not there does not wait for an answer."""
        return if_known("potassium", p["potassium_age_on_the_ward"], Below(ward, limit))

    cautions = (
        "Confirm that the patient passes urine first; kidney failure and potassium-sparing medicines turn replacement into harm.",
        "Oral potassium is too slow where insulin runs or the rhythm is at risk.",
    )
    adult = p.population == "adult"
    offer: tuple[Proposal, ...] = ()
    maintenance: tuple[Proposal, ...] = ()
    if adult:
        offer = (_bag(p, "potassium_offer_volume"),)
        maintenance = (_bag(p, "potassium_offer_volume_maintenance"),)
    how = (
        "By local protocol: potassium {p.potassium_infusion_usual} mmol/h by vein, ECG monitor on, central line if the concentration needs it."
        if adult
        else "By local protocol and with the specialist team: potassium {p.potassium_infusion_usual} by vein, ECG monitor on."
    )
    none_found = "Neither running nor drafted orders hold potassium, by vein or by mouth."
    return Advisory(
        code="potassium-replacement-missing",
        title="Potassium replacement missing",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger(
            (
                (
                    "analyte:potassium", "condition:diabetic_ketoacidosis", "condition:hyperosmolar_state", "analyte:beta_hydroxybutyrate",
                    "analyte:urine_ketones", "analyte:ph", "analyte:bicarbonate", "analyte:glucose",
                ),
            )
        ),
        branches=(
            Branch(
                "low in a crisis", AllOf((crisis, passing, low, none)), "critical",
                Words(
                    "Potassium {potassium} in a hyperglycaemic crisis: give potassium, none is ordered",
                    (none_found,), (how, "Measure potassium again in {p.potassium_recheck}."), cautions, facts=facts,
                ),
                offer,
            ),
            Branch(
                "very low", AllOf((on_ward(p["potassium_very_low_on_the_ward"]), none)), "critical",
                Words(
                    "Potassium {potassium}: give potassium by vein, none is ordered",
                    (none_found,), (how, "ECG now; measure potassium and magnesium again within hours."), cautions, facts=ward_facts,
                ),
                (*offer, Measure("magnesium", "Measure magnesium", unless_within=p["minerals_age"])),
            ),
            Branch(
                "replacement with insulin",
                AllOf(
                    (crisis, passing, insulin, AtLeastValue(potassium, p["potassium_replacement_from"]),
                     AtMostValue(potassium, p["potassium_replacement_to"]), none)
                ),
                "warning",
                Words(
                    "Potassium {potassium} and insulin by vein: add potassium to the fluids, none is ordered",
                    (none_found, "Insulin will lower it within the next hours.", "Crystalloid ordered now: {fluid}."),
                    ("By local protocol: {p.potassium_in_fluid} mmol of potassium in each litre of fluid once the patient passes urine.",), cautions, facts=facts,
                ),
                maintenance,
            ),
            Branch(
                "low after a crisis or with little urine", AllOf((State("crisis shown"), AnyOf((stopped, Not(crisis))), if_known("potassium", p["potassium_age_in_crisis"], low), none)), "warning",
                Words(
                    "Potassium {potassium} and none ordered: decide on potassium with a senior",
                    (none_found, "The crisis is over by its criteria, or little or no urine is on record."),
                    ("Decide by local protocol, with the kidneys in mind: smaller amounts, ECG monitor, early repeat.",), cautions, facts=facts,
                ),
            ),
            Branch(
                "low on the ward", AllOf((on_ward(p["potassium_low_on_the_ward"]), none)), "warning",
                Words(
                    "Potassium {potassium}: replace potassium, none is ordered",
                    (none_found,), ("By local protocol: replace potassium by vein or mouth; check magnesium; measure again today.",), cautions, facts=ward_facts,
                ),
                (Measure("magnesium", "Measure magnesium", unless_within=p["minerals_age"]),),
            ),
        ),
        sources=(CONSENSUS, UK, US, CHILDREN),
        satisfied=HasOrder(OrderFilter(POTASSIUM_ORDERS, "either")),
        touches=POTASSIUM_TOUCHES,
        asks_itself=(),
        hazards=("HZ-07", "HZ-14", "HZ-17", "HZ-23"),
        purpose="A potassium that is low, or about to fall, and that nobody replaces.",
    )  # fmt: skip


def _bag(p: ParameterSet, volume: str) -> Give:
    """Potassium chloride in saline; amount, volume and time keep inside every limit of a line that is not central."""
    amount, hours = "potassium_offer_amount", "potassium_offer_hours"
    label = f"Add potassium chloride {figure_of(p, amount)} in {figure_of(p, volume)} of 0.9 % sodium chloride over {figure_of(p, hours)}"
    return Give(label, "potassium_chloride", p[amount], "mmol", "sodium_chloride", p[volume], p[hours])
