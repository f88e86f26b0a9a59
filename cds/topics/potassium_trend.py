"""Potassium over time: falling under insulin, and samples that are hard to believe (B6, N14)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    Extreme,
    HasCondition,
    HasOrder,
    Latest,
    Minus,
    NoOrder,
    Not,
    NotComputable,
    OrderFilter,
    Projected,
    Slope,
    State,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.parts import POTASSIUM_TOUCHES, guidelines_print, if_known, insulin_by_vein, insulin_running, potassium_on_the_ward
from cds.states.potassium_level import KIDNEYS

CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
OURS = "own rule B6: projection"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about a series of potassium results for one population. Figures and sources: potassium_trend.toml."""
    return (_falling_on_insulin(p), _sample_suspect(p))


# B6 ----------------------------------------------------------------------------------------------------------------------------------


def _falling_on_insulin(p: ParameterSet) -> Advisory:
    now = Latest("potassium", p["potassium_age_in_crisis"])
    window = p["potassium_series_window"]
    series = Slope("potassium", window, p["potassium_series_span"], p["potassium_series_apart"], "insulin start")
    ahead = Projected(series, p["potassium_projected_ahead"])
    fallen = Minus(Extreme("potassium", window, "oldest"), now)
    facts: dict[str, Expression] = {"potassium": now, "ahead": ahead, "slope": series, "fallen": fallen, "given": Total("potassium")}
    # With one result there is no course. In a crisis that is said; a variable-rate infusion has one potassium a day, and nothing is asked.
    followed = AnyOf((Not(NotComputable(series)), State("unresolved crisis shown")))
    running = AllOf((insulin_running(), followed, AtLeastValue(now, p["potassium_projected_low_below"])))
    falling = Below(series, p["potassium_not_falling"])
    low_ahead = AllOf((falling, Below(ahead, p["potassium_projected_low_below"])))
    fast = AllOf((AtMostValue(series, p["potassium_fast_fall"]), Below(now, p["potassium_fast_fall_from_below"])))
    sure = Above(fallen, p["potassium_two_samples_differ"])
    found = (
        "Series: {slope}. Projected: {ahead}; that is no measurement.",
        "Fallen by {fallen} since the first result of the last {p.potassium_series_window}. Potassium given now, with this order: {given}.",
    )
    do = (
        "By local protocol: potassium on a blood gas within the hour, and look at it before the next step of insulin.",
        "Give more potassium within the limits of the line; magnesium, since a low one keeps potassium low.",
    )
    cautions = ("Fluid, insulin and bicarbonate all lower potassium; urine output and the kidneys decide how far.", "Confirm that the patient passes urine before more potassium is given.")
    differs: tuple[str, ...] = ()
    if p.population == "adult":
        differs = (f"Guidelines let insulin wait while potassium is below {guidelines_print(p, 'insulin_needs_potassium_at_least')}.",)
    noise = ("Two samples may differ by {p.potassium_two_samples_differ}: this fall may be measurement noise.", *cautions)
    measure = (
        Measure("potassium", "Measure potassium within the hour (a blood gas will do)"),
        Measure("magnesium", "Measure magnesium", unless_within=p["minerals_age"]),
    )

    def branch(name: str, when: Criterion, indicator: str, summary: str, cautions: tuple[str, ...]) -> Branch:
        return Branch(name, AllOf((running, when)), indicator, Words(summary, found, do, cautions, differs, facts), measure)

    projected = "Potassium {potassium} falls fast on insulin: give potassium, measure within the hour"
    return Advisory(
        code="potassium-falling-on-insulin",
        title="Potassium falling on insulin",
        problem="potassium before insulin",
        kind="order",
        trigger=Trigger((("running:insulin",), ("analyte:potassium",))),
        branches=(
            branch("dangerously low ahead", AllOf((falling, Below(ahead, p["potassium_projected_dangerous_below"]), sure)), "critical",
                   "Potassium {potassium} falls on insulin, to below {p.potassium_projected_dangerous_below} soon: give potassium now, measure", cautions),
            branch("low ahead", AllOf((low_ahead, sure)), "warning",
                   "Potassium {potassium} will fall below {p.potassium_projected_low_below} on insulin: give more, measure", cautions),
            branch("fast", AllOf((fast, sure)), "warning", projected, cautions),
            branch("low ahead, may be noise", AnyOf((low_ahead, fast)), "warning",
                   "Potassium {potassium} may fall below {p.potassium_projected_low_below} on insulin: measure within the hour", noise),
        ),
        sources=(CONSENSUS, UK, OURS),
        touches=POTASSIUM_TOUCHES,
        without_age=True,
        # A potassium that is too old on insulin is asked for by its own code.
        asks_itself=("potassium",),
        hazards=("HZ-21", "HZ-29"),
        purpose="A potassium that is still normal and will not be in two hours.",
    )  # fmt: skip


# N14 ---------------------------------------------------------------------------------------------------------------------------------


def _sample_suspect(p: ParameterSet) -> Advisory:
    """Triggers written out (R-m50): haemolysis; a jump within the hour that no treatment explains; a sample from a drip arm (high potassium, low sodium and high
    chloride while potassium runs, or an absurd glucose while glucose runs); high potassium with a calcium that a tube additive would bind.
    """
    age, hour = p["result_age"], p["potassium_jump_within"]
    potassium, glucose = Latest("potassium", age), Latest("glucose", age)
    sodium, chloride, calcium = Latest("sodium", age), Latest("chloride", age), Latest("calcium_total", age)
    jump = Minus(Extreme("potassium", hour, "highest"), Extreme("potassium", hour, "lowest"))
    facts: dict[str, Expression] = {
        "potassium": potassium_on_the_ward(p), "jump": jump, "sodium": sodium, "chloride": chloride, "glucose": glucose, "calcium": calcium,
    }  # fmt: skip
    no_cause = AllOf(
        (
            NoOrder(insulin_by_vein("running")),
            NoOrder(OrderFilter(("potassium_salt", "bicarbonate", "potassium_binder"), "running")),
            Not(HasCondition(("dialysis", "end_stage_renal", "rhabdomyolysis"))),
        )
    )
    high = AtLeastValue(potassium, p["hyperkalaemia_mild_from"])
    drip = AllOf(
        (
            HasOrder(OrderFilter(("potassium_salt",), "running", "intravenous")), if_known("potassium", age, high),
            if_known("sodium", age, Below(sodium, p["drip_arm_sodium_below"])), if_known("chloride", age, Above(chloride, p["drip_arm_chloride_above"])),
        )
    )  # fmt: skip
    sweet = AllOf(
        (HasOrder(OrderFilter(("glucose_fluid",), "running", "intravenous")), if_known("glucose", age, AtLeastValue(glucose, p["drip_arm_glucose_from"])))
    )
    tube = AllOf(
        (
            if_known("potassium", age, AtLeastValue(potassium, p["hyperkalaemia_moderate_from"])),
            if_known("calcium_total", age, Below(calcium, p["tube_calcium_below"])), Not(HasCondition((*KIDNEYS, "ckd_4_5"))),
        )
    )  # fmt: skip
    do = (
        "By local protocol: repeat at once from the other arm, free-flowing, in the right tube, or as a blood gas; look at the old and the new value together.",
        "Until then treat a potassium that would be dangerous as true, above all with ECG change or kidney failure.",
    )
    cautions = ("Nothing here proves that the sample is wrong.",)
    measure = (Measure("potassium", "Repeat potassium now from another site"),)

    def branch(name: str, when: Criterion, summary: str, *found: str) -> Branch:
        return Branch(name, when, "info", Words(summary, found, do, cautions, facts=facts), measure)

    return Advisory(
        code="potassium-sample-suspect",
        title="Potassium sample hard to believe",
        problem="potassium level",
        kind="result",
        trigger=Trigger((("analyte:potassium", "analyte:glucose"),)),
        branches=(
            branch("drip arm", drip, "Potassium {potassium} while potassium runs: measure again from the other arm", "Sodium {sodium}, chloride {chloride}."),
            branch("drip arm, glucose", sweet, "Glucose {glucose} while glucose runs: measure again from the other arm", "Sodium {sodium}, potassium {potassium}."),
            branch("tube", tube, "Potassium {potassium} with calcium {calcium}: measure again, the tube may be wrong", "A tube additive adds potassium and binds calcium."),
            branch("jump", AllOf((if_known("potassium", hour, Above(jump, p["potassium_jump"])), no_cause)), "Potassium changed by {jump} within the hour: measure again",
                   "Nothing on the orders explains the change."),
            branch("haemolysed", State("potassium haemolysed"), "Potassium {potassium} is haemolysed: measure again, the true value is lower",
                   "Haemolysis adds potassium: a normal value may hide a low one."),
        ),
        sources=("own rule N14", "common practice: order of draw and drip-arm samples"),
        touches=POTASSIUM_TOUCHES,
        without_age=True,
        gap_indicator="info",
        hazards=("HZ-09",),
        purpose="A potassium that the sample rather than the patient may have made.",
    )  # fmt: skip


__all__ = ["advisories"]
