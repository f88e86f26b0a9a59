"""Potassium as it is ordered: as a push, with a potassium that is high or kidneys that do not clear it, and in glucose (B2, B4, B5)."""

from __future__ import annotations

from cds.advisory import Advisory, Amend, Branch, Give, Measure, Precedence, Proposal, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Between,
    Criterion,
    Expression,
    HasOrder,
    Latest,
    Limit,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.parts import POTASSIUM_ORDERS, POTASSIUM_TOUCHES, computable, figure_of, guidelines_print, if_known, insulin_by_vein, potassium_on_the_ward
from cds.states.potassium_level import potassium_not_known, potassium_now

# One card with the rate over the line's limit: they are about one potassium order.
PROBLEM = "potassium infusion"
RATE = "potassium-rate-exceeds-line-limit"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
LABEL = "Potassium chloride injection, US label"
UK_POTASSIUM = "NPSA patient safety alert on concentrated potassium, 2002; UK never event list; UKMi and NHS Highland potassium guidance"
UKKA = "UK Kidney Association. Treatment of acute hyperkalaemia in adults, 2023"
KDIGO = "KDIGO clinical practice guideline for acute kidney injury, 2012"
KUNIN = "Kunin AS et al. Decrease in serum potassium during infusion of potassium with glucose. N Engl J Med 1962;266:228-233"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about a potassium order for one population. Figures and sources: potassium_order.toml."""
    return (_given_as_push(p), _with_hyperkalaemia(p), _in_glucose(p))


# B2 ----------------------------------------------------------------------------------------------------------------------------------


def _given_as_push(p: ParameterSet) -> Advisory:
    strength, rate = OfOrder("concentration", "potassium"), OfOrder("per_hour", "potassium")
    facts: dict[str, Expression] = {"amount": OfOrder("amount", "potassium"), "strength": strength, "rate": rate}
    do = (
        "By local protocol: take this order back; order a ready-mixed bag by infusion pump, {p.potassium_not_central_warning} or less outside a central line, "
        "{p.potassium_central_warning} or less through one with the ECG on the monitor.",
        "State amount, bag volume, rate and line.",
    )
    cautions = (
        "Cardiac arrest from a low potassium that was measured is the one exception, for the team that treats the arrest.",
        "Undiluted potassium by vein has killed within a minute; many hospitals keep it out of ward stock.",
    )
    found = ("Potassium in this order: {amount}.", "Concentration {strength}, rate {rate}.")
    instead: list[Proposal] = [Withdraw("Take this potassium push out")]
    if p.population == "adult":
        instead.append(_bag(p))

    def branch(name: str, when: Criterion, summary: str) -> Branch:
        return Branch(name, when, "critical", Words(summary, found, do, cautions, facts=facts), tuple(instead))

    return Advisory(
        code="potassium-given-as-push",
        title="Potassium given as a push",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:potassium_salt", "running:potassium_salt"),)),
        over=OrderFilter(POTASSIUM_ORDERS, "either", "intravenous"),
        branches=(
            branch(
                "push", OrderIs("push"),
                "Stop: potassium by push can stop the heart; give it by infusion, {p.potassium_not_central_warning} or less",
            ),
            branch(
                "undiluted", computable(strength, AtLeastValue(strength, p["potassium_undiluted_from"])),
                "Stop: potassium at {strength} is undiluted; use a diluted bag by infusion",
            ),
            branch(
                "no rate, no time, no diluent",
                AllOf(
                    (OrderIs("drafted"), OrderIs("detail expected"), NotComputable(rate), NotComputable(OfOrder("duration_minutes", "potassium")),
                     Not(OrderIs("diluent stated")), NotComputable(strength))
                ),
                "Stop: intravenous potassium without rate, time or diluent reads as a push; state all three",
            ),
        ),
        sources=(LABEL, UK_POTASSIUM),
        touches=POTASSIUM_TOUCHES,
        precedence=(Precedence("silences", RATE, "order"),),
        hazards=("HZ-04", "HZ-38"),
        purpose="Potassium that would reach the heart undiluted or at once.",
    )  # fmt: skip


def _bag(p: ParameterSet) -> Give:
    """The usual replacement, inside every limit of a line that is not central."""
    amount, volume, hours = "potassium_offer_amount", "potassium_offer_volume", "potassium_offer_hours"
    label = f"Order potassium chloride {figure_of(p, amount)} in {figure_of(p, volume)} of 0.9 % sodium chloride over {figure_of(p, hours)}"
    return Give(label, "potassium_chloride", p[amount], "mmol", "sodium_chloride", p[volume], p[hours])


# B4 ----------------------------------------------------------------------------------------------------------------------------------


def _with_hyperkalaemia(p: ParameterSet) -> Advisory:
    mild, moderate = p["hyperkalaemia_mild_from"], p["hyperkalaemia_moderate_from"]
    sound, doubtful = Not(State("high potassium doubtful")), State("high potassium doubtful")
    stopped, replaced = State("little urine"), p["potassium_low_below"]
    facts: dict[str, Expression] = {"potassium": potassium_on_the_ward(p), "urine": Latest("urine_output", p["urine_output_age"]), "given": Total("potassium")}

    # Of a draft without a potassium the last branch speaks, so that nothing is asked twice; of a running order a list that failed is a gap.
    drafted = OrderIs("drafted")
    measured = AnyOf((AllOf((drafted, Not(potassium_not_known(p)))), AllOf((Not(drafted), State("high potassium measured")))))

    def known(criterion: Criterion) -> Criterion:
        return AllOf((measured, criterion))

    def at_least(limit: Limit) -> Criterion:
        return known(potassium_now(p, lambda item: AtLeastValue(item, limit)))

    def between(low: Limit, high: Limit) -> Criterion:
        return known(potassium_now(p, lambda item: Between(item, low, high)))

    above_in_crisis = known(potassium_now(p, lambda item: Above(item, p["potassium_replacement_to"])))
    found = ("Potassium {potassium}, {potassium.age}.", "Potassium ordered by vein, with this order: {given}.", "Urine output {urine}.")
    do = (
        "By local protocol: leave potassium out of the fluids, by vein and by mouth; take out this order or pause it.",
        "ECG now from {p.hyperkalaemia_moderate_from}; measure potassium again within {p.potassium_recheck} (a blood gas will do).",
        "Look for other sources: potassium-raising medicines, feeds, kidney failure.",
    )
    repeat = ("By local protocol: repeat potassium now from a free-flowing sample or a blood gas; keep this order waiting for it.",)
    cautions = (
        "In ketoacidosis a high potassium falls fast once insulin runs: measure it again before leaving potassium out for long.",
        "A haemolysed sample reads too high; with ECG change or kidney failure act as if it were true.",
    )
    measure = Measure("potassium", "Measure potassium again (a blood gas will do)")
    out: tuple[Proposal, ...] = (Withdraw("Take this potassium order out"), measure)
    differs: tuple[str, ...] = ()
    if p.population == "adult":
        differs = (f"In a hyperglycaemic crisis guidelines stop adding potassium above {guidelines_print(p, 'potassium_replacement_to')}.",)

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...] = do, offered: tuple[Proposal, ...] = out, differs: tuple[str, ...] = ()) -> Branch:
        return Branch(name, when, indicator, Words(summary, found, do, cautions, differs, facts), offered)

    return Advisory(
        code="potassium-with-hyperkalaemia-or-oliguria",
        title="Potassium with high potassium or little urine",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:potassium_salt", "running:potassium_salt"),)),
        over=OrderFilter(POTASSIUM_ORDERS, "either"),
        branches=(
            branch("high", AllOf((sound, at_least(moderate))), "critical", "Potassium {potassium}: stop this potassium order, it is high"),
            branch(
                "little urine, not low", AllOf((stopped, sound, at_least(p["oliguria_potassium_critical_from"]))), "critical",
                "Potassium {potassium} and little or no urine: stop this potassium order",
            ),
            branch(
                "high, haemolysed", AllOf((doubtful, at_least(moderate))), "warning",
                "Potassium {potassium}, haemolysed: measure again before this potassium is given", repeat, (measure,),
            ),
            branch("raised", AllOf((sound, between(mild, moderate))), "warning", "Potassium {potassium}: stop this potassium order, none is needed"),
            branch(
                "raised in a crisis", AllOf((State("crisis shown"), sound, above_in_crisis)), "warning",
                "Potassium {potassium}, above {p.potassium_replacement_to} in this crisis: stop adding potassium for now",
                differs=differs,
            ),
            branch(
                "little urine", AllOf((stopped, at_least(replaced))), "warning",
                "Potassium {potassium} and little or no urine: check the kidneys before this potassium is given",
            ),
            branch(
                "raised, haemolysed", AllOf((doubtful, at_least(mild))), "info",
                "Potassium {potassium}, haemolysed: measure again before this potassium is given", repeat, (measure,),
            ),
            branch(
                "low with little urine", AllOf((stopped, known(potassium_now(p, lambda item: Below(item, replaced))))), "info",
                "Potassium {potassium}, little or no urine: give potassium slowly, {p.oliguria_potassium_step}, then measure",
                ("By local protocol: {p.oliguria_potassium_step} at a time, slowly, ECG on the monitor; measure potassium again after each.",), (measure,),
            ),
            branch(
                "not known", AllOf((drafted, potassium_not_known(p))), "info",
                "No current potassium for this potassium order: measure potassium",
                ("By local protocol: measure potassium and look at it before this is given; ask whether the patient passes urine.",),
                (Measure("potassium", "Measure potassium now (a blood gas will do)"),),
            ),
        ),
        sources=(UKKA, CONSENSUS, UK, US, CHILDREN, LABEL, KDIGO),
        touches=POTASSIUM_TOUCHES,
        precedence=(
            # Not by what only asks or advises caution (Q-M15).
            Precedence("silences", "potassium-replacement-missing", at=("warning", "critical")),
            Precedence(
                "absorbs", RATE, "order", at=("warning", "critical"),
                other_branches=(
                    "child in a crisis", "child", "central line", "peripheral line", "peripheral line, too strong", "day, far too much", "day", "not computable",
                ),
            ),
        ),
        hazards=("HZ-03", "HZ-06", "HZ-07", "HZ-09", "HZ-13", "HZ-17", "HZ-23", "HZ-25", "HZ-28"),
        purpose="Potassium given to somebody who has too much of it, or cannot clear it.",
    )  # fmt: skip


# B5 ----------------------------------------------------------------------------------------------------------------------------------


def _in_glucose(p: ParameterSet) -> Advisory:
    strength, glucose = OfOrder("concentration", "glucose"), Latest("glucose", p["result_age"])
    facts: dict[str, Expression] = {"potassium": potassium_on_the_ward(p), "glucose": glucose}
    dilute = computable(strength, Below(strength, p["glucose_diluent_from"]))
    in_glucose = AllOf((OrderHas(("glucose_fluid",), "any"), Not(dilute)))
    # Glucose is wanted beside insulin once it has come down, and in a low glucose; a glucose that is not known wants none (R-m43).
    with_insulin = AllOf((HasOrder(insulin_by_vein("either")), if_known("glucose", p["result_age"], Below(glucose, p["ketoacidosis_glucose_added_below"]))))
    too_low = if_known("glucose", p["result_age"], Below(glucose, p["hypoglycaemia_below"]))
    base = AllOf((in_glucose, Not(with_insulin), Not(too_low)))

    def below(limit: Limit) -> Criterion:
        return AllOf((State("low potassium measured"), potassium_now(p, lambda item: Below(item, limit)), base))

    words = {
        "found": ("Potassium {potassium}, {potassium.age}; glucose {glucose}.", "Glucose releases insulin, which can lower potassium further at first."),
        "do": ("By local protocol: the same potassium in 0.9 % sodium chloride.", "Measure potassium again in {p.potassium_recheck}; check magnesium."),
        "cautions": (
            "Where glucose is needed (insulin running, low glucose, no intake) it stays; then watch potassium more closely.",
            "The effect is known from small, old studies.",
        ),
    }  # fmt: skip
    instead: tuple[Proposal, ...] = (Amend("Put this potassium in 0.9 % sodium chloride", diluent="sodium_chloride"),)
    from_text = OrderIs("diluent from text")

    def branch(name: str, when: Criterion, indicator: str, summary: str) -> Branch:
        return Branch(name, when, indicator, Words(summary, words["found"], words["do"], words["cautions"], facts=facts), instead)

    low = "Potassium {potassium}: give this potassium in saline, glucose may lower it further"
    branches: tuple[Branch, ...]
    if p.population == "child":
        branches = (branch("low", below(p["potassium_low_below"]), "info", low),)
    else:
        very, worst = p["glucose_potassium_warning_below"], p["glucose_potassium_critical_below"]
        branches = (
            branch("dangerously low", AllOf((Not(from_text), below(worst))), "critical", low),
            branch("very low, glucose read from text", AllOf((from_text, below(very))), "warning",
                   "Potassium {potassium}: confirm the diluent; glucose may lower it further, saline is better"),
            branch("very low", below(very), "warning", low),
            branch("low", below(p["potassium_low_below"]), "info", low),
        )  # fmt: skip
    return Advisory(
        code="potassium-in-dextrose",
        title="Potassium for a low potassium in glucose",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("drafted:potassium_salt", "running:potassium_salt"), ("analyte:potassium",))),
        over=OrderFilter(POTASSIUM_ORDERS, "either", "intravenous"),
        branches=branches,
        sources=(KUNIN, "UK hospital potassium guidance: ready-mixed bags in saline"),
        touches=POTASSIUM_TOUCHES,
        hazards=("HZ-17", "HZ-23"),
        # Last of what is said about one potassium order (M-15).
        speak_order=1,
        purpose="Potassium replacement that its own diluent works against.",
    )


__all__ = ["advisories"]
