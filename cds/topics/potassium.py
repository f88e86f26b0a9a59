"""Potassium and insulin: what must be known before insulin runs, how fast potassium may run, and when it is missing (A6, A7, B1, B3)."""

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
    DayTotal,
    Expression,
    HasOrder,
    Latest,
    NoneWithin,
    NoOrder,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    Since,
    State,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.parts import (
    POTASSIUM_ORDERS,
    full_rate_insulin,
    held,
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
LABEL = "Potassium chloride injection, US label"
UK_POTASSIUM = "UK hospital potassium guidance (UKMi, NHS Highland)"

# A draft of one of these touches the potassium problem (Q-M01, row B8 to B11; Q-M02).
TOUCHES = (
    "potassium_salt", "potassium_phosphate", "magnesium_sulfate", "calcium_salt", "sodium_phosphate", "qt_prolonging", "digoxin", "furosemide", "insulin",
)  # fmt: skip
# A draft of one of these touches a crisis (Q-M01, row A1).
CRISIS_TOUCHES = (
    "insulin", "crystalloid", "glucose_fluid", "potassium_salt", "potassium_phosphate", "bicarbonate", "sglt2_inhibitor", "metformin", "phenytoin",
    "fosphenytoin", "glucocorticoid",
)  # fmt: skip


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The potassium advisories for one population. Figures and sources: potassium.toml."""
    return (
        _insulin_with_low_potassium(p),
        _insulin_without_recent_potassium(p),
        _potassium_replacement_missing(p),
        _potassium_rate_exceeds_line_limit(p),
    )


# A6 ----------------------------------------------------------------------------------------------------------------------------------


def _insulin_with_low_potassium(p: ParameterSet) -> Advisory:
    potassium, ward = potassium_in_crisis(p), potassium_on_the_ward(p)
    facts: dict[str, Expression] = {"potassium": potassium, "given": Total("potassium")}
    ward_facts: dict[str, Expression] = {"potassium": ward, "given": Total("potassium")}
    by_vein, drafted = OrderIs("intravenous"), OrderIs("drafted")
    low = Below(potassium, p["insulin_needs_potassium_at_least"])
    very_low = Below(potassium, p["insulin_pause_potassium_below"])
    retest = (
        Measure("potassium", "Measure potassium again within the hour (a blood gas will do)"),
        Measure("magnesium", "Measure magnesium: potassium does not come up while it is low"),
    )
    take_out = (Withdraw("Take the insulin out of this order until potassium is high enough"), *retest)
    given = "Potassium ordered now, with this order: {given}."
    cautions = (
        "The wait is for an hour or two while potassium runs, not for the day: ketoacidosis goes on without insulin.",
        "Bicarbonate lowers potassium further.",
        "High-dose insulin for poisoning by a calcium-channel blocker or beta-blocker is not held for this; there the aim is a potassium above 3.0 mmol/L.",
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
            "very low, running", AllOf((by_vein, Not(drafted), very_low, low)), "critical",
            Words(
                "Potassium {potassium} on running insulin: pause insulin now, give potassium",
                (given,),
                ("By local protocol: pause the insulin now with a restart time; resume at {p.insulin_needs_potassium_at_least} or more.", *first), cautions, facts=facts,
            ),
            retest,
        ),
        Branch(
            "low, running, potassium given",
            AllOf((by_vein, Not(drafted), low, AtLeastValue(Total("potassium", "running"), p["insulin_slow_potassium_from"]))), "critical",
            Words(
                "Potassium {potassium} on running insulin and potassium: slow or pause insulin, senior now",
                (given,),
                ("Senior decision now, by local protocol: slow or pause the insulin while potassium catches up.", *first), cautions, facts=facts,
            ),
            retest,
        ),
        Branch(
            "low, running", AllOf((by_vein, Not(drafted), low)), "critical",
            Words(
                "Potassium {potassium} on running insulin: give potassium, slow or pause insulin",
                (given,), ("By local protocol: potassium now; a senior decides whether the insulin is slowed or paused.", *first), cautions, facts=facts,
            ),
            retest,
        ),
    ]  # fmt: skip
    if between is not None:
        differs = "Guidelines differ at this potassium: insulin waits below 3.5 mmol/L (consensus 2024, UK 2023), below 3.3 mmol/L (US 2009)."
        branches.append(Branch("low, where guidelines differ", AllOf((by_vein, drafted, between)), "critical", replace(hold, differs=(differs,)), take_out))
    branches.append(Branch("low", AllOf((by_vein, drafted, low)), "critical", hold, take_out))
    if held(p, "insulin_with_potassium_below"):
        branches.append(
            Branch(
                "low, child", AllOf((by_vein, Below(potassium, p["insulin_with_potassium_below"]))), "warning",
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
        trigger=Trigger((("drafted:insulin", "running:insulin"), ("analyte:potassium",))),
        over=OrderFilter(("insulin",), "either"),
        branches=tuple(branches),
        sources=(CONSENSUS, UK, US, CHILDREN),
        touches=CRISIS_TOUCHES,
        precedence=(
            Precedence("silences", "insulin-without-recent-potassium"),
            Precedence("silences", "potassium-falling-on-insulin"),
            Precedence("lowers", "insulin-stop-without-overlap"),
        ),
        without_age=True,
        asks_itself=("potassium",),
        speak_order=1,
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
                    (last,), ("By local protocol: potassium on a blood gas now; then every 2 to 4 hours while insulin runs.",), cautions, facts=facts,
                ),
                measure,
            ),
            Branch(
                "running or changed", AllOf((by_vein, full_rate_insulin(p), NoneWithin(("potassium",), running))), "warning",
                Words(
                    "No potassium in the last {p.potassium_age_in_crisis} on intravenous insulin: measure potassium now",
                    (last,), ("By local protocol: potassium on a blood gas now; then every 2 to 4 hours while insulin runs.",), cautions, facts=facts,
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
        speak_order=2,
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
    crisis, low = State("unresolved crisis"), Below(potassium, p["potassium_replacement_from"])
    facts: dict[str, Expression] = {"potassium": potassium, "fluid": Total("crystalloid")}
    ward_facts: dict[str, Expression] = {"potassium": ward}
    cautions = (
        "Confirm that the patient passes urine first; kidney failure and potassium-sparing medicines turn replacement into harm.",
        "Oral potassium is too slow where insulin runs or the rhythm is at risk.",
    )
    adult = p.population == "adult"
    offer: tuple[Proposal, ...] = ()
    maintenance: tuple[Proposal, ...] = ()
    if adult:
        offer = (_bag(p, "Add potassium chloride 20 mmol in 500 mL 0.9 % sodium chloride over 2 h (10 mmol/h)", "potassium_offer_volume"),)
        maintenance = (
            _bag(p, "Add potassium chloride 20 mmol in 1000 mL 0.9 % sodium chloride over 2 h (20 mmol/L)", "potassium_offer_volume_maintenance"),
        )
    how = (
        "By local protocol: potassium {p.potassium_infusion_usual} mmol/h by vein with ECG monitoring; magnesium with it if that is low."
        if adult
        else "By local protocol and with the specialist team: potassium {p.potassium_infusion_usual} by vein with ECG monitoring."
    )
    none_found = "Neither running nor drafted orders hold potassium, by vein or by mouth."
    return Advisory(
        code="potassium-replacement-missing",
        title="Potassium replacement missing",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("analyte:potassium",),)),
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
                "very low", AllOf((Below(ward, p["potassium_very_low_on_the_ward"]), none)), "critical",
                Words(
                    "Potassium {potassium}: give potassium by vein, none is ordered",
                    (none_found,), (how, "ECG now; measure potassium and magnesium again within hours."), cautions, facts=ward_facts,
                ),
                (*offer, Measure("magnesium", "Measure magnesium")),
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
                "low after a crisis or with little urine", AllOf((State("crisis context"), low, AnyOf((stopped, State("crisis resolved"))), none)), "warning",
                Words(
                    "Potassium {potassium} and none ordered: decide on potassium with a senior",
                    (none_found, "The crisis is over by its criteria, or little or no urine is on record."),
                    ("Decide by local protocol, with the kidneys in mind: smaller amounts, ECG monitor, early repeat.",), cautions, facts=facts,
                ),
            ),
            Branch(
                "low on the ward", AllOf((Below(ward, p["potassium_low_on_the_ward"]), none)), "warning",
                Words(
                    "Potassium {potassium}: replace potassium, none is ordered",
                    (none_found,), ("By local protocol: replace potassium by vein or mouth; check magnesium; measure again today.",), cautions, facts=ward_facts,
                ),
                (Measure("magnesium", "Measure magnesium"),),
            ),
        ),
        sources=(CONSENSUS, UK, US, CHILDREN),
        satisfied=HasOrder(OrderFilter(POTASSIUM_ORDERS, "either")),
        touches=TOUCHES,
        asks_itself=(),
        speak_order=3,
        hazards=("HZ-07", "HZ-14", "HZ-17", "HZ-23"),
        purpose="A potassium that is low, or about to fall, and that nobody replaces.",
    )  # fmt: skip


def _bag(p: ParameterSet, label: str, volume: str) -> Give:
    return Give(label, "potassium_chloride", p["potassium_offer_amount"], "mmol", "sodium_chloride", p[volume], p["potassium_offer_hours"])


# B1 ----------------------------------------------------------------------------------------------------------------------------------


def _potassium_rate_exceeds_line_limit(p: ParameterSet) -> Advisory:
    every, outside = Total("potassium"), Total("potassium", lines="not central")
    strength, day, ward = OfOrder("concentration", "potassium"), DayTotal("potassium"), potassium_on_the_ward(p)
    central, in_crisis = OrderIs("line central"), State("crisis shown")
    bags = OrderFilter(POTASSIUM_ORDERS, "either", "intravenous")
    facts: dict[str, Expression] = {"sum": every, "outside": outside, "this": OfOrder("per_hour", "potassium"), "strength": strength, "day": day}
    sums = ("Potassium from all running and drafted bags: {sum}; this order: {this}.", "Through lines not recorded as central: {outside}.")
    slow = (
        "By local protocol: lower the rate, or space the bags; continuous ECG above 10 mmol/h.",
        "Measure potassium again after each 20 to 40 mmol.",
    )
    cautions = (
        "A line that is not recorded counts as peripheral.",
        "Bags that may be one and the same are counted as a range.",
        "Magnesium that is low keeps potassium low.",
    )
    to_peripheral = (Amend("Slow this bag so that potassium stays at the limit of its line", substance="potassium", per_hour=p["potassium_not_central_warning"]),)
    to_central = (Amend("Slow this bag so that potassium stays at the limit of its line", substance="potassium", per_hour=p["potassium_central_warning"]),)
    branches: list[Branch] = [
        Branch(
            "any line, dangerous", Above(every, p["potassium_central_critical"]), "critical",
            Words("Potassium {sum} in all bags: lower the rate, no line takes more than {p.potassium_central_critical}", sums, slow, cautions, facts=facts),
            to_central,
        ),
        Branch(
            "peripheral line, dangerous", Above(outside, p["potassium_not_central_critical"]), "critical",
            Words("Potassium {outside} outside a central line: lower to {p.potassium_not_central_critical} or less", sums, slow, cautions, facts=facts),
            to_peripheral,
        ),
        Branch(
            "peripheral line, far too strong", AllOf((Not(central), AtLeastValue(strength, p["peripheral_concentration_critical"]))), "critical",
            Words(
                "Potassium at {strength} outside a central line: dilute it or use a central line",
                sums, ("By local protocol: {p.peripheral_max_concentration} or less through a peripheral line.", *slow), cautions, facts=facts,
            ),
        ),
    ]  # fmt: skip
    if held(p, "potassium_per_kg_critical"):
        branches += _per_kg(p, sums, slow, cautions, facts)
    strong_bag = AnyOrder(bags, Above(strength, p["peripheral_max_concentration"]))
    branches += [
        Branch(
            "central line", Above(every, p["potassium_central_warning"]), "warning",
            Words(
                "Potassium {sum} in all bags: above {p.potassium_central_warning}, continuous ECG and central line",
                sums, slow, cautions,
                ("The label allows up to 40 mmol/h with continuous ECG when potassium is below 2.0 mmol/L, or with ECG change or paralysis.",), facts,
            ),
            to_central,
        ),
        Branch(
            "peripheral line", AllOf((Above(outside, p["potassium_not_central_warning"]), Not(AllOf((in_crisis, Not(strong_bag)))))), "warning",
            Words(
                "Potassium {outside} outside a central line: lower to {p.potassium_not_central_warning} or less, or central line",
                sums, slow, cautions,
                ("In a hyperglycaemic crisis 10 to 20 mmol/h is the usual regimen, with bags of at most 40 mmol/L.",), facts,
            ),
            to_peripheral,
        ),
        Branch(
            "peripheral line, too strong", AllOf((Not(central), Above(strength, p["peripheral_max_concentration"]))), "warning",
            Words(
                "Potassium at {strength} outside a central line: dilute to {p.peripheral_max_concentration} or less",
                sums, ("By local protocol: a weaker bag, or a central line.",), cautions,
                ("US hospitals give 100 and 200 mmol/L premixed bags through peripheral lines; UK guidance keeps to 40 mmol/L.",), facts,
            ),
        ),
        Branch(
            "day, far too much", Above(day, p["potassium_day_high"]), "warning",
            Words("Potassium {day} ordered: above {p.potassium_day_high} a day, reduce", sums, slow, cautions, facts=facts),
        ),
        Branch(
            "day", AllOf((Above(day, p["potassium_day_warning"]), Above(ward, p["potassium_day_unless_below"]), Not(in_crisis))), "warning",
            Words("Potassium {day} ordered: above {p.potassium_day_warning} a day, check the total", sums, slow, cautions, facts=facts),
        ),
        Branch(
            "not computable",
            AllOf(
                (OrderIs("drafted"), OrderIs("detail expected"), NotComputable(OfOrder("per_hour", "potassium")),
                 AnyOf((AtLeastValue(OfOrder("amount", "potassium"), p["potassium_counts_from"]), NotComputable(OfOrder("amount", "potassium")))))
            ),
            "warning",
            Words(
                "Potassium per hour of {order} cannot be computed: state amount, volume and rate",
                ("All other bags: {sum}.", "What this order states of its rate: {this}."),
                ("State amount, volume, rate and line before this is given; the limits of the local protocol cannot be checked without them.",), cautions, facts=facts,
            ),
        ),
    ]  # fmt: skip
    return Advisory(
        code="potassium-rate-exceeds-line-limit",
        title="Potassium faster or stronger than the line allows",
        problem="potassium infusion",
        kind="order",
        trigger=Trigger((("drafted:potassium_salt", "drafted:potassium_phosphate", "running:potassium_salt", "running:potassium_phosphate"),)),
        over=bags,
        branches=tuple(branches),
        sources=(LABEL, UK_POTASSIUM, CHILDREN),
        touches=TOUCHES,
        speak_order=6,
        hazards=("HZ-04", "HZ-12", "HZ-13", "HZ-14", "HZ-38"),
        purpose="Potassium summed over every bag, against the limit of its line.",
    )


def _per_kg(p: ParameterSet, sums: tuple[str, ...], slow: tuple[str, ...], cautions: tuple[str, ...], facts: dict[str, Expression]) -> list[Branch]:
    """A child's limits by body weight."""
    per_kg = Total("potassium", per_kg=True)
    facts = {**facts, "per_kg": per_kg}
    crisis: Criterion = State("crisis shown")

    def words(summary: str) -> Words:
        return Words(summary, (*sums, "By weight: {per_kg}."), slow, cautions, facts=facts)

    return [
        Branch(
            "child, dangerous", Above(per_kg, p["potassium_per_kg_critical"]), "critical",
            words("Potassium {sum} in this child: above {p.potassium_per_kg_critical}, lower the rate"),
        ),
        Branch(
            "child in a crisis", AllOf((crisis, Above(per_kg, p["potassium_per_kg_warning_in_crisis"]))), "warning",
            words("Potassium {sum} in this child: above {p.potassium_per_kg_warning_in_crisis}, check the rate"),
        ),
        Branch(
            "child", AllOf((Not(crisis), Above(per_kg, p["potassium_per_kg_warning"]))), "warning",
            words("Potassium {sum} in this child: above {p.potassium_per_kg_warning}, check the rate"),
        ),
    ]  # fmt: skip
