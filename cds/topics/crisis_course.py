"""The course of a hyperglycaemic crisis: glucose beside insulin, whether it gets better fast enough, and that it is over (A10, A12, A13)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Expression,
    Formula,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OrderFilter,
    Since,
    Slope,
    State,
)
from cds.parameters import ParameterSet
from cds.states.insulin_course import BASAL, HOUR
from cds.states.parts import CRISIS_TOUCHES, computable, figure_of, guidelines_print, if_known, in_band_between_guidelines, insulin_by_vein

COURSE = "course of the crisis"
OVER = "change to insulin under the skin"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
UK_HYPEROSMOLAR = "JBDS 06; Mustafa OG et al. Management of HHS in adults. Diabet Med 2023;40:e15005"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
CHILDREN_UK = "BSPED guideline, DKA under 18 years, 2021; NICE NG18"
KETONES = ("beta_hydroxybutyrate", "ph", "bicarbonate")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories on the course for one population. Figures and sources: crisis_course.toml and states/insulin_course.toml."""
    return (_glucose_needed(p), _off_target(p), _resolved(p))


def _sources(p: ParameterSet) -> tuple[str, ...]:
    return (CHILDREN, CHILDREN_UK) if p.population == "child" else (CONSENSUS, UK, UK_HYPEROSMOLAR, US)


# A10 ---------------------------------------------------------------------------------------------------------------------------------


def _glucose_needed(p: ParameterSet) -> Advisory:
    child = p.population == "child"
    glucose = Latest("glucose", p["glucose_age_on_insulin"])
    added = p["ketoacidosis_glucose_added_below"]
    falling = _slope(p, "glucose", "insulin start")
    # Every insulin order is a witness, so that a drafted one makes this an advisory about the draft; and a glucose bag that a draft stops (Q-M03).
    stopped = HasOrder(OrderFilter(("glucose_fluid",), "stopping", "intravenous"))
    insulin = HasOrder(insulin_by_vein("either"))
    wanted = AllOf((State("unresolved crisis"), insulin, Not(State("glucose infusion ordered"))))
    facts: dict[str, Expression] = {"glucose": glucose, "ketones": Latest("beta_hydroxybutyrate", p["result_age"])}
    none = "Insulin by vein, and no glucose infusion is running or drafted that counts. Ketones: {ketones}."
    do = (
        "By local protocol: {p.glucose_beside_insulin} now; insulin {p.insulin_rate_with_glucose}.",
        "Do not stop insulin because glucose falls: it is needed until ketones clear. Keep potassium going.",
    )
    cautions = ("Where fluid must be restricted: a smaller volume of stronger glucose through a large vein.", "A meter reads less surely in shock; repeat a value that does not fit.")

    def words(summary: str, *found: str, differs: tuple[str, ...] = ()) -> Words:
        return Words(summary, (none, *found), do, cautions, differs, facts=facts)

    offer: tuple[Proposal, ...] = ()
    if not child:
        label = f"Add glucose 10 %, {figure_of(p, 'glucose_offer_volume')} over {figure_of(p, 'glucose_offer_hours')}"
        offer = (Give(label, "glucose", p["glucose_offer_amount"], "g", volume_ml=p["glucose_offer_volume"], hours=p["glucose_offer_hours"]),)
    critical = Below(glucose, p["glucose_on_insulin_critical_below"])
    branches: list[Branch] = [
        Branch("low soon, glucose stopped", AllOf((wanted, stopped, critical)), "critical", words("Glucose {glucose} on insulin and its glucose infusion is being stopped: give glucose now")),
        Branch("low soon", AllOf((wanted, critical)), "critical", words("Glucose {glucose} on intravenous insulin and none ordered: give glucose now"), offer),
    ]
    if child:
        overdue = p["glucose_overdue_below"]
        branches += [
            Branch("glucose stopped", AllOf((wanted, stopped, Below(glucose, overdue))), "warning", words("Glucose {glucose} on insulin and its glucose infusion is being stopped: keep glucose going")),
            Branch("overdue", AllOf((wanted, Below(glucose, overdue))), "warning", words("Glucose {glucose} on intravenous insulin: add glucose to the fluid, none is ordered")),
            Branch(
                "soon", AllOf((wanted, AtLeastValue(glucose, overdue), Below(glucose, added))), "info",
                words("Glucose {glucose} on intravenous insulin: add glucose to the fluid soon", "Glucose belongs in the fluid below {p.ketoacidosis_glucose_added_below}, or when it falls fast; below {p.glucose_overdue_below} it is overdue."),
            ),
            Branch(
                "falling fast", AllOf((wanted, AtLeastValue(glucose, added), computable(falling, Below(falling, p["glucose_fall_fast"])))), "info",
                Words("Glucose {glucose} and it falls fast on insulin: add glucose to the fluid", (none, "Slope: {slope}."), do, cautions, facts={**facts, "slope": falling}),
            ),
        ]  # fmt: skip
    else:
        # A hyperosmolar state without ketosis may have a line of its own; a mixed one is treated as ketoacidosis.
        pure = AllOf((State("hyperosmolar context"), Not(State("ketoacidosis context"))))
        below = AnyOf((Below(glucose, added), AllOf((pure, Below(glucose, p["hyperosmolar_glucose_added_below"])))))
        differs = (f"Guidelines differ at this glucose. In ketoacidosis glucose is added below {guidelines_print(p, 'ketoacidosis_glucose_added_below')}.",)
        between = in_band_between_guidelines(glucose, p, "ketoacidosis_glucose_added_below")
        summary = "Glucose {glucose} with intravenous insulin: add a glucose infusion, none is ordered"
        branches.append(Branch("glucose stopped", AllOf((wanted, stopped, below)), "warning", words("Glucose {glucose} on insulin and its glucose infusion is being stopped: keep glucose going")))
        if between is not None:
            branches.append(Branch("needed, where guidelines differ", AllOf((wanted, between)), "warning", words(summary, differs=differs), offer))
        branches.append(Branch("needed", AllOf((wanted, below)), "warning", words(summary), offer))
    return Advisory(
        code="dextrose-needed-with-insulin",
        title="Glucose needed with insulin",
        problem="glucose beside insulin",
        kind="order",
        trigger=Trigger((("drafted:insulin", "running:insulin"),)),
        branches=tuple(branches),
        sources=_sources(p),
        satisfied=State("glucose infusion ordered"),
        touches=CRISIS_TOUCHES,
        hazards=("HZ-06", "HZ-13", "HZ-17", "HZ-25", "HZ-28"),
        purpose="Insulin that runs on while glucose falls, with no glucose beside it.",
    )


# A12 ---------------------------------------------------------------------------------------------------------------------------------


def _slope(p: ParameterSet, of: str, since: str) -> Slope:
    return Slope(of, p["course_window"], p["course_span"], p["course_apart"], since)


def _off_target(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    ketones, glucose = Latest("beta_hydroxybutyrate", age), Latest("glucose", age)
    by_ketones, by_bicarbonate, by_glucose = (_slope(p, name, "insulin start") for name in ("beta_hydroxybutyrate", "bicarbonate", "glucose"))
    total, effective = (_slope(p, name, "insulin start") for name in ("total_osmolality", "effective_osmolality"))
    late = _slope(p, "glucose", HOUR)
    long_enough = AtLeastValue(Since("insulin start"), p["course_insulin_for"])
    running = State("insulin shown running")
    ketotic = AllOf((running, State("ketoacidosis going on")))
    hyperosmolar = AllOf((running, State("unresolved crisis"), State("hyperosmolar context")))
    # Without a series nothing is said; but after hours on insulin without any ketones or gas the old value is asked for (stale).
    blind = AllOf((Above(Since("insulin start"), p["course_blind_after"]), NoneWithin(KETONES, p["course_blind_after"])))
    seen = AnyOf((Not(NotComputable(by_ketones)), blind))
    slow_ketones = AllOf((ketotic, seen, AtLeastValue(ketones, p["course_ketones_from"]), Above(by_ketones, p["course_ketones_slope"]), long_enough))
    slow_gas = AllOf(
        (ketotic, NotComputable(by_ketones), computable(by_bicarbonate, Below(by_bicarbonate, p["course_bicarbonate_slope"])),
         computable(by_glucose, Above(by_glucose, p["course_glucose_slope"])), if_known("glucose", age, AtLeastValue(glucose, p["course_glucose_from"])), long_enough)
    )  # fmt: skip
    slow_total = computable(total, AllOf((AtLeastValue(Formula("total_osmolality", age), p["course_osmolality_from"]), Above(total, p["course_osmolality_slope"]))))
    slow_effective = AllOf(
        (NotComputable(total), computable(effective, AllOf((AtLeastValue(Formula("effective_osmolality", age), p["course_osmolality_from"]), Above(effective, p["course_osmolality_slope"])))))
    )
    # Without urea the effective osmolality is judged, and the card shows that one.
    fast = AllOf((running, State("unresolved crisis"), computable(late, Below(late, p["glucose_fall_fast"])), long_enough))
    facts: dict[str, Expression] = {"ketones": ketones, "glucose": glucose, "on_insulin": Since("insulin start")}
    checks = "Look first, by local protocol: cannula, pump, insulin strength and rate, the weight that was used."
    cause = "Look for a cause that goes on: infection, infarct, the belly."
    more = "Then {p.course_insulin_step}."
    chloride = "High chloride with a closed anion gap is not ketoacidosis: more insulin does not help it."
    potassium = "More insulin lowers potassium further: look at potassium first."
    differs = () if p.population == "child" else ("The consensus of 2024 prints no hourly figure for ketones; the UK one is used.",)
    branches = [
        Branch(
            "ketones fall too slowly", slow_ketones, "warning",
            Words(
                "Ketones {ketones} fall too slowly on insulin: check cannula, pump, rate and weight",
                ("Slope: {slope}. Wanted: {p.course_ketones_slope} or faster. On insulin for {on_insulin}.",), (checks, more, cause), (chloride, potassium),
                differs, facts={**facts, "slope": by_ketones},
            ),
        ),
        Branch(
            "bicarbonate and glucose too slow", slow_gas, "warning",
            Words(
                "Bicarbonate and glucose {glucose} improve too slowly on insulin: check cannula, pump, rate and weight",
                ("Bicarbonate {bicarbonate_slope}, wanted {p.course_bicarbonate_slope} or more; glucose {glucose_slope}, wanted {p.course_glucose_slope} or faster.",
                 "No series of blood ketones: measure them."),
                (checks, more, cause), (chloride, potassium), facts={**facts, "bicarbonate_slope": by_bicarbonate, "glucose_slope": by_glucose},
            ),
            (Measure("beta_hydroxybutyrate", "Measure blood ketones, and again in an hour"),),
        ),
        Branch(
            "osmolality falls too slowly", AllOf((hyperosmolar, slow_total, long_enough)), "warning",
            Words(
                "Osmolality {osmolality} falls too slowly: check fluid given, then insulin",
                ("Slope: {slope}. Wanted: {p.course_osmolality_slope} or faster, never faster than the local limit.",), ("Look first, by local protocol: fluid given against fluid ordered, urine, sodium of the fluid.", checks, cause),
                ("Rising sodium while glucose falls is expected.", potassium), facts={**facts, "osmolality": Formula("total_osmolality", age), "slope": total},
            ),
        ),
        Branch(
            "effective osmolality falls too slowly", AllOf((hyperosmolar, slow_effective, long_enough)), "warning",
            Words(
                "Effective osmolality {osmolality} falls too slowly: check fluid given, then insulin",
                ("Slope: {slope}. Wanted: {p.course_osmolality_slope} or faster. Urea is not known at each point: judged without it.",),
                ("Look first, by local protocol: fluid given against fluid ordered, urine, sodium of the fluid.", checks, cause),
                ("Rising sodium while glucose falls is expected.", potassium), facts={**facts, "osmolality": Formula("effective_osmolality", age), "slope": effective},
            ),
        ),
    ]  # fmt: skip
    falls = Words(
        "Glucose {glucose} falls too fast on insulin: check glucose infusion, slow the fall",
        ("Slope: {slope}. Limit: {p.glucose_fall_fast}. The first hour of insulin is not counted.",),
        ("By local protocol: add or raise glucose; then look at the insulin rate and the fluid.", "Watch the conscious level every hour."),
        ("A fast fall of glucose lowers osmolality and may swell the brain.",), facts={**facts, "slope": late},
    )  # fmt: skip
    if p.population == "child":
        branches.append(Branch("glucose falls too fast", fast, "warning", falls))
    else:
        branches.append(Branch("glucose falls too fast", AllOf((State("hyperosmolar context"), fast)), "info", falls))
    return Advisory(
        code="crisis-trajectory-off-target",
        title="The crisis does not get better as it should",
        problem=COURSE,
        kind="result",
        trigger=Trigger((("running:insulin",), ("analyte:beta_hydroxybutyrate", "analyte:bicarbonate", "analyte:glucose", "analyte:sodium"))),
        branches=tuple(branches),
        sources=(*_sources(p), "Sen PK. J Am Stat Assoc 1968;63:1379: slope of irregular samples"),
        touches=CRISIS_TOUCHES,
        without_age=True,
        gap_indicator="info",
        hazards=("HZ-21", "HZ-24", "HZ-29"),
        purpose="Insulin that does not work: a tissued cannula, a wrong rate, a cause that goes on.",
    )


# A13 ---------------------------------------------------------------------------------------------------------------------------------


def _resolved(p: ParameterSet) -> Advisory:
    age = p["resolution_age"]
    glucose = Latest("glucose", age)
    both_over = AllOf((State("crisis over"), State("ketoacidosis lately"), State("hyperosmolar state lately")))
    ketotic, hyperosmolar = AllOf((State("crisis over"), State("ketoacidosis lately"))), State("crisis over")
    facts: dict[str, Expression] = {
        "ketones": Latest("beta_hydroxybutyrate", age), "ph": Latest("ph", age), "bicarbonate": Latest("bicarbonate", age), "glucose": glucose,
        "osmolality": Formula("effective_osmolality", age), "gcs": Latest("gcs", p["consciousness_age"]), "urine": Latest("urine_output", p["urine_output_age"]),
    }  # fmt: skip
    do = (
        "By local protocol: when the patient eats and drinks, give basal insulin under the skin and go on by vein for {p.insulin_overlap}.",
        "Write down when insulin by vein stops. Do not stop it before.",
        "Find out why the crisis came, and teach what to do next time.",
    )
    if p.population == "child":
        do = ("With the specialist team and by local protocol: plan insulin under the skin with the next meal; insulin by vein goes on for {p.insulin_overlap}.", *do[1:])
    cautions = (
        "Chloride from saline may keep bicarbonate low for a while after ketones have cleared.",
        "Ketones, glucose and potassium are measured again after the change.",
    )
    plan = "give basal insulin, plan the change"
    if p.population == "child":
        plan = "plan the change, call the specialist team"
    numbers = "Ketones {ketones}, pH {ph}, bicarbonate {bicarbonate}, glucose {glucose}."
    # Kept short: the dose stands in the card's second part, from the advisory on insulin under the skin.
    ideal = "Ideally glucose is below {p.resolved_glucose_ideal} before the change."
    # Over by one guideline may be not yet over by another (HZ-25).
    number = "Ketones below" if p.population == "child" else "Bicarbonate from"
    key = "ketoacidosis_over_ketones" if p.population == "child" else "ketoacidosis_over_bicarbonate"
    over = (f"Guidelines ask for different things: {guidelines_print(p, 'ketoacidosis_over_needs')}. {number} {guidelines_print(p, key)}.",)
    spent = () if p.population == "child" else (f"Guidelines differ on the glucose: below {guidelines_print(p, 'hyperosmolar_over_glucose')}.",)
    return Advisory(
        code="crisis-resolved",
        title="The crisis is over by its criteria",
        problem=OVER,
        kind="result",
        trigger=Trigger((("analyte:beta_hydroxybutyrate", "analyte:ph", "analyte:bicarbonate", "analyte:glucose"),)),
        branches=(
            # Not "give basal insulin" where it is ordered or was given: it would be given twice.
            Branch(
                "over, basal insulin ordered", AllOf((State("crisis over"), AnyOf((State("basal insulin in place"), HasOrder(OrderFilter(BASAL, "either")))))), "info",
                Words(
                    "Crisis over (ketones {ketones}, glucose {glucose}), basal insulin is ordered: decide when insulin by vein stops",
                    (numbers,), ("By local protocol: insulin by vein stops {p.insulin_overlap}; glucose and potassium infusions are looked at with it.", do[2]), cautions, facts=facts,
                ),
            ),
            Branch(
                "both over", both_over, "info",
                Words(f"Ketoacidosis and hyperosmolar state over (ketones {{ketones}}, glucose {{glucose}}): {plan}", (numbers,), do, cautions, (*over, *spent), facts=facts),
            ),
            Branch(
                "ketoacidosis over, glucose high", AllOf((ketotic, if_known("glucose", age, AtLeastValue(glucose, p["resolved_glucose_ideal"])))), "info",
                Words(f"Ketoacidosis over (ketones {{ketones}}), glucose still {{glucose}}: {plan}", (numbers, ideal), do, cautions, over, facts=facts),
            ),
            Branch("ketoacidosis over", ketotic, "info", Words(f"Ketoacidosis over (ketones {{ketones}}, pH {{ph}}): {plan}", (numbers,), do, cautions, over, facts=facts)),
            Branch(
                "hyperosmolar state over", hyperosmolar, "info",
                Words(
                    f"Hyperosmolar state over (osmolality {{osmolality}}, glucose {{glucose}}): {plan}",
                    ("Coma score {gcs}, urine {urine}.",), do, cautions, spent, facts=facts,
                ),
            ),
        ),
        sources=_sources(p),
        touches=CRISIS_TOUCHES,
        precedence=(
            Precedence("silences", "crisis-trajectory-off-target"),
            Precedence("silences", "dextrose-needed-with-insulin"),
            Precedence("silences", "potassium-replacement-missing", other_branches=("low in a crisis", "replacement with insulin")),
        ),
        without_age=True,
        hazards=("HZ-06", "HZ-24", "HZ-25"),
        purpose="The moment to change over, so that insulin by vein neither stops too early nor runs on.",
    )  # fmt: skip


