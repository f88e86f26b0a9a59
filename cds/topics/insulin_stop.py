"""Stopping insulin by vein, changing to insulin under the skin, and the basal insulin of type 1 diabetes (A14, C-03, A15, N4)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Below,
    Criterion,
    Expression,
    Extreme,
    Formula,
    Given,
    HasCondition,
    HasOrder,
    Latest,
    NoneWithin,
    NoOrder,
    Not,
    OrderFilter,
    Scaled,
    Since,
    SinceStart,
    State,
)
from cds.parameters import ParameterSet
from cds.states.insulin_course import BASAL
from cds.states.parts import (
    CRISIS_TOUCHES,
    computable,
    full_rate_insulin,
    if_known,
    insulin_by_vein,
    low_rate_insulin,
    potassium_in_crisis,
    potassium_on_the_ward,
)

STOP = "insulin stop"
CHANGE = "change to insulin under the skin"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
TYPE_1 = HasCondition(("diabetes_type_1",))
NONE_LEFT = NoOrder(insulin_by_vein("either"))


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories on the end of insulin by vein for one population. Figures and sources: insulin_stop.toml and states/insulin_course.toml."""
    return (_without_overlap(p), _before_resolution(p), _under_the_skin(p), _basal_omitted(p))


# Pauses ------------------------------------------------------------------------------------------------------------------------------


def _pause(p: ParameterSet) -> Criterion:
    """A low glucose or a low potassium asks for a pause of the insulin in hand (M-05, Q-M18). What is not known asks for none."""
    low_glucose = if_known("glucose", p["glucose_age_on_insulin_if_none_later"], Below(Latest("glucose", p["glucose_age_on_insulin_if_none_later"]), p["hypoglycaemia_below"]))
    fast = AllOf((full_rate_insulin(p), if_known("potassium", p["potassium_age_in_crisis"], Below(potassium_in_crisis(p), p["insulin_needs_potassium_at_least"]))))
    slow = AllOf((low_rate_insulin(p), if_known("potassium", p["potassium_age_on_the_ward"], Below(potassium_on_the_ward(p), p["insulin_pause_potassium_below"]))))
    return AnyOf((low_glucose, fast, slow))


def _for_potassium(p: ParameterSet) -> Criterion:
    """Insulin that was given for a high potassium outside a crisis; it ends by itself."""
    high = Extreme("potassium", p["insulin_for_potassium_watch"], "highest")
    return AllOf((Not(State("crisis shown")), computable(high, AtLeastValue(high, p["insulin_for_potassium_from"]))))


# A14 ---------------------------------------------------------------------------------------------------------------------------------


def _without_overlap(p: ParameterSet) -> Advisory:
    given = SinceStart(OrderFilter(BASAL, "given", "subcutaneous"))
    facts: dict[str, Expression] = {
        "glucose": Latest("glucose", p["glucose_age_on_insulin_if_none_later"]), "potassium": Latest("potassium", p["potassium_age_in_crisis"]),
        "ketones": Latest("beta_hydroxybutyrate", p["resolution_age"]), "since": given,
    }  # fmt: skip
    at_risk = AnyOf((State("crisis lately"), TYPE_1))
    stops = AllOf((NONE_LEFT, at_risk, Not(State("basal insulin in place"))))
    danger = AnyOf((TYPE_1, State("ketoacidosis going on")))
    recent = AnyOf(
        (
            HasOrder(OrderFilter(BASAL, "given", "subcutaneous", started_within=p["basal_insulin_lead"])),
            HasOrder(OrderFilter(BASAL, "running", "subcutaneous", started_within=p["basal_insulin_lead"])),
        )
    )
    drafted = HasOrder(OrderFilter(BASAL, "drafted", "subcutaneous"))
    found = ("It is the only insulin by vein, and no basal insulin under the skin has worked for {p.basal_insulin_lead} yet.", "Ketones: {ketones}.")
    keep = "By local protocol: keep the infusion (take the stop out)"
    do = (f"{keep}, give basal insulin now, and stop {{p.insulin_overlap}}.", "If glucose falls, add glucose; do not stop insulin for it.")
    cautions = ("Insulin by vein is gone within minutes; without basal insulin ketones return within hours.", "A home medicine that is only reported, or an order on hold, is not counted as given.")
    too_early = (f"{keep} until {{p.insulin_overlap}}; the basal dose has not worked yet.", do[1])

    def graded(name: str, when: Criterion, summary: str, lines: tuple[str, ...], *more: str) -> tuple[Branch, ...]:
        words = Words(summary, (*found, *more), lines, cautions, facts=facts)
        return (
            Branch(f"{name}, type 1 or ketoacidosis", AllOf((stops, when, danger)), "critical", words),
            Branch(name, AllOf((stops, when)), "warning", words),
        )

    return Advisory(
        code="insulin-stop-without-overlap",
        title="Insulin stopped without overlap",
        problem=STOP,
        kind="order",
        trigger=Trigger((("running:insulin",),)),
        over=insulin_by_vein("stopping"),
        branches=(
            Branch(
                "pause", AllOf((stops, _pause(p))), "warning",
                Words(
                    "Insulin paused (glucose {glucose}, potassium {potassium}): write a restart time, do not leave it stopped",
                    ("A low glucose or potassium asks for the pause. No basal insulin under the skin covers it.",),
                    ("By local protocol: treat the cause first, pause rather than stop, and restart within {p.insulin_restart_within} of a treated low glucose, or when potassium allows.",),
                    ("Without any insulin ketones return within hours.",), facts=facts,
                ),
            ),
            *graded("basal too recent", recent, "Insulin by vein stopped {since} after basal insulin: keep it on, too early to stop", too_early),
            *graded("basal drafted", drafted, "Insulin by vein stopped as basal insulin is only drafted: keep it on, then overlap", do),
            *graded("no basal", at_risk, "Insulin by vein stopped and no basal insulin given: keep it on, give basal insulin first", do),
        ),
        sources=(CHILDREN,) if p.population == "child" else (CONSENSUS, UK, US),
        quiet=_for_potassium(p),
        touches=("insulin",),
        touched=("critical", "warning"),
        precedence=(
            Precedence("absorbs", "insulin-stop-before-resolution", "order", at=("critical",)),
            Precedence("absorbs", "insulin-stop-before-resolution", "order", branches=("pause",)),
        ),
        without_age=True,
        hazards=("HZ-13", "HZ-24"),
        purpose="Insulin by vein that ends before insulin under the skin works.",
    )  # fmt: skip


# C-03 --------------------------------------------------------------------------------------------------------------------------------


def _before_resolution(p: ParameterSet) -> Advisory:
    age = p["resolution_age"]
    ketones, ph, bicarbonate = Latest("beta_hydroxybutyrate", age), Latest("ph", age), Latest("bicarbonate", age)
    acid = AnyOf((if_known("ph", age, Below(ph, p["insulin_stop_ph"])), if_known("bicarbonate", age, Below(bicarbonate, p["insulin_stop_bicarbonate"]))))
    not_over = AnyOf((if_known("beta_hydroxybutyrate", age, AtLeastValue(ketones, p["ketoacidosis_over_ketones"])), AllOf((NoneWithin(("beta_hydroxybutyrate",), age), acid))))
    stops = AllOf((NONE_LEFT, State("ketoacidosis going on")))
    facts: dict[str, Expression] = {"ketones": ketones, "ph": ph, "bicarbonate": bicarbonate, "glucose": Latest("glucose", p["result_age"])}
    found = ("Ketones {ketones}, pH {ph}, bicarbonate {bicarbonate}; glucose {glucose}. Over means ketones below {p.ketoacidosis_over_ketones} and acid gone.",)
    do = (
        "By local protocol: keep the infusion (take the stop out) until ketones are below {p.ketoacidosis_over_ketones}; give glucose beside it where glucose is near normal.",
        "Basal insulin alone does not clear ketosis.",
    )
    cautions = ("A normal glucose does not end ketoacidosis.", "Where ketones are not known, a chloride acidosis looks the same: measure ketones.")
    measure = (Measure("beta_hydroxybutyrate", "Measure blood ketones before insulin stops", unless_within=p["resolution_age"]),)
    severe = AnyOf(
        (if_known("beta_hydroxybutyrate", age, AtLeastValue(ketones, p["insulin_stop_ketones_critical"])), if_known("ph", age, Below(ph, p["insulin_stop_ph_critical"])))
    )
    return Advisory(
        code="insulin-stop-before-resolution",
        title="Insulin stopped before ketoacidosis is over",
        problem=STOP,
        kind="order",
        trigger=Trigger((("running:insulin",),)),
        over=insulin_by_vein("stopping"),
        branches=(
            Branch(
                "pause", AllOf((stops, _pause(p), not_over)), "info",
                Words(
                    "Insulin paused with ketones {ketones}, pH {ph}: write a restart time, ketoacidosis goes on", found,
                    ("By local protocol: treat the low glucose or potassium, and restart within {p.insulin_restart_within} of a treated low glucose.",), cautions, facts=facts,
                ),
            ),
            Branch(
                "far from over", AllOf((stops, not_over, severe)), "critical",
                Words("Insulin stopped at ketones {ketones}, pH {ph}: keep it on now, ketoacidosis is far from over", found, do, cautions, facts=facts), measure,
            ),
            Branch(
                "not over", AllOf((stops, not_over)), "warning",
                Words("Insulin stopped at ketones {ketones}, pH {ph}: keep it on, add glucose; not over yet", found, do, cautions, facts=facts), measure,
            ),
        ),
        sources=(CHILDREN,) if p.population == "child" else (CONSENSUS, UK, US),
        touches=("insulin",),
        touched=("critical", "warning"),
        without_age=True,
        hazards=("HZ-06", "HZ-24", "HZ-25"),
        purpose="Insulin stopped because glucose is normal while ketosis goes on.",
    )  # fmt: skip


# A15 ---------------------------------------------------------------------------------------------------------------------------------


def _under_the_skin(p: ParameterSet) -> Advisory:
    weight = Latest("weight", p["weight_age"])
    changing = AnyOf((State("crisis lately"), HasOrder(insulin_by_vein("running"))))
    cautions = (
        "A known regimen that controlled fairly is kept rather than a sum by weight.",
        "Frailty, a former severe low glucose, poor eating or liver failure ask for less.",
        "The dose is a beginning: look at it again each day.",
    )
    if p.population == "child":
        # No dose is offered to a child; a dose that no patient starts with is asked about at any age (R-m31).
        facts: dict[str, Expression] = {"weight": weight}
        return _skin_advisory(
            p,
            (
                Branch(
                    "basal far too much", State("basal insulin far too much"), "critical",
                    Words(
                        "Basal insulin above {p.transition_basal_extreme} a day for {weight}: check this dose now, it may be ten-fold",
                        (), ("The specialist team decides insulin under the skin in a child; look at units and weight.",), cautions, facts=facts,
                    ),
                ),
            ),
        )  # fmt: skip
    return _skin_advisory(p, (*_drafts(p, changing, cautions), *_offers(p, cautions)))


def _skin_advisory(p: ParameterSet, branches: tuple[Branch, ...]) -> Advisory:
    return Advisory(
        code="subcutaneous-transition-dose",
        title="Insulin under the skin after a crisis",
        problem=CHANGE,
        kind="order",
        trigger=Trigger((("drafted:insulin", "analyte:beta_hydroxybutyrate", "analyte:ph", "analyte:bicarbonate", "analyte:glucose"),)),
        branches=branches,
        sources=(CHILDREN,) if p.population == "child" else (CONSENSUS, UK, "Bode BW et al. Endocr Pract 2004;10 Suppl 2:71: dose from the infusion"),
        touches=CRISIS_TOUCHES,
        hazards=("HZ-18", "HZ-19", "HZ-22", "HZ-38"),
        purpose="The first doses of insulin under the skin, and a drafted one that does not fit.",
    )


def _doses(p: ParameterSet, *, cautious: bool) -> dict[str, Expression]:
    tail = "_cautious" if cautious else ""
    window = p["weight_age"]
    return {"total": Formula(f"insulin_total{tail}", window), "basal": Formula(f"insulin_basal{tail}", window), "meal": Formula(f"insulin_meal{tail}", window), "weight": Latest("weight", window)}


def _drafts(p: ParameterSet, changing: Criterion, cautions: tuple[str, ...]) -> tuple[Branch, ...]:
    """What is drafted. UNKNOWN where the weight, the dose or the kidneys are not known."""
    usual, careful = _doses(p, cautious=False), _doses(p, cautious=True)
    do = ("Look at units, weight and the home regimen by local protocol; a usual beginning is {basal} basal a day and {meal} with each meal.",)
    ketotic = AnyOf((TYPE_1, State("ketoacidosis lately")))
    rows: tuple[tuple[str, Criterion, str, str, dict[str, Expression]], ...] = (
        ("basal far too much", State("basal insulin far too much"), "critical", "Basal insulin above {p.transition_basal_extreme} a day for {weight}: check this dose now, it may be ten-fold", usual),
        ("basal high for the cautious", AllOf((changing, State("cautious insulin dose"), State("basal insulin high for the cautious"))), "warning",
         "Basal insulin above {p.transition_basal_most_cautious} a day in age, frailty or poor kidneys: check it, {basal} is usual", careful),
        ("basal high", AllOf((changing, State("basal insulin high"))), "warning", "Basal insulin above {p.transition_basal_most} a day for {weight}: check it, {basal} is usual", usual),
        ("day's insulin high", AllOf((changing, State("day's insulin high"))), "warning", "Insulin drafted above {p.transition_day_most} a day for {weight}: check it, {total} is usual", usual),
        ("basal low", AllOf((changing, ketotic, State("basal insulin low"))), "warning", "Basal insulin below {p.transition_basal_least} a day after ketoacidosis: check it, {basal} is usual", usual),
    )  # fmt: skip
    return tuple(Branch(name, when, indicator, Words(summary, (), do, cautions, facts=facts)) for name, when, indicator, summary, facts in rows)


def _offers(p: ParameterSet, cautions: tuple[str, ...]) -> tuple[Branch, ...]:
    """The dose to begin with, when the crisis is over and no basal insulin is active. Kidneys that are not known are not taken for good ones."""
    from_infusion = Scaled(Scaled(Given("insulin", p["transition_infusion_window"]), p["transition_windows_a_day"]), p["formula_insulin_day_share"])
    ready = AllOf((State("crisis over"), NoOrder(OrderFilter(BASAL, "either"))))
    weighed = Not(NoneWithin(("weight",), p["weight_age"]))
    long_enough = AllOf((State("insulin shown running"), AtLeastValue(Since("insulin start"), p["transition_infusion_window"])))
    by_vein = "From the last {p.transition_infusion_window} by vein, if glucose was stable: {by_vein} a day ({p.formula_insulin_day_share} of what ran)."
    split = "{total} a day: {basal} basal and {meal} with each meal, for {weight}; whole units, rounded down."
    do = ("By local protocol: basal insulin under the skin now, insulin by vein for {p.insulin_overlap}.",)
    cautious = State("cautious insulin dose")
    kinds: tuple[tuple[str, Criterion, bool, str, str], ...] = (
        ("cautious dose", cautious, True, "Crisis over: give basal insulin {basal} under the skin (lower dose: age, frailty or kidneys)", "Old age, frailty or poor kidneys are on record."),
        ("usual dose", Not(cautious), False, "Crisis over: give basal insulin {basal} under the skin, then overlap", ""),
        ("kidneys not known", State("crisis over"), True,
         "Crisis over: give basal insulin {basal} under the skin (lower dose, kidneys not known)", "No current creatinine: the lower dose is shown until kidneys are known."),
    )  # fmt: skip
    made: list[Branch] = []
    for name, when, careful, summary, why in kinds:
        doses = _doses(p, cautious=careful)
        offer: tuple[Proposal, ...] = (
            Give(
                "Add basal insulin glargine under the skin once a day", "insulin_glargine", doses["basal"], "[iU]", route="subcutaneous",
                times_a_day=p["transition_once_a_day"], round_to=p["transition_whole_units"],
            ),
        )  # fmt: skip
        lines = tuple(line for line in (split, why) if line)
        for tail, more, extra in ((", after hours by vein", long_enough, True), ("", None, False)):
            facts = {**doses, "by_vein": from_infusion} if extra else doses
            parts = (ready, weighed, when) if more is None else (ready, weighed, when, more)
            made.append(Branch(f"{name}{tail}", AllOf(parts), "info", Words(summary, (*lines, by_vein) if extra else lines, do, cautions, facts=facts), offer))
    made.append(
        Branch(
            "not weighed", AllOf((ready, long_enough)), "info",
            Words(
                "Crisis over, no weight: decide basal insulin from the infusion, {by_vein} for the whole day", (by_vein,),
                ("Weigh the patient; by local protocol half of the day's insulin is basal.", *do), cautions, facts={"by_vein": from_infusion},
            ),
        )
    )  # fmt: skip
    return tuple(made)


# N4 ----------------------------------------------------------------------------------------------------------------------------------


def _basal_omitted(p: ParameterSet) -> Advisory:
    # On record and not running: at home, on hold or stopped.
    known = AnyOrder(OrderFilter(BASAL, "listed"))
    return Advisory(
        code="basal-insulin-omitted-type-1",
        title="Basal insulin left out in type 1 diabetes",
        problem="basal insulin",
        kind="result",
        trigger=Trigger((("condition:diabetes_type_1",), ("listed:basal_insulin",))),
        branches=(
            Branch(
                "omitted", AllOf((TYPE_1, State("crisis context"), known, NoOrder(OrderFilter(BASAL, "either")))), "info",
                Words(
                    "Type 1 diabetes in crisis (ketones {ketones}) and basal insulin is not ordered: decide whether to continue it",
                    ("Basal insulin is on record from before, and none is running or drafted.",),
                    ("By local protocol: UK practice continues basal insulin beside the infusion; the consensus of 2024 allows it early.",),
                    ("It does not replace the infusion, and makes stopping it safer.",), facts={"ketones": Latest("beta_hydroxybutyrate", p["result_age"])},
                ),
            ),
        ),
        sources=(UK, CONSENSUS),
        touches=CRISIS_TOUCHES,
        without_age=True,
        hazards=("HZ-13",),
        purpose="A basal insulin that was stopped with the crisis and forgotten.",
    )  # fmt: skip
