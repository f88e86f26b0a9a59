"""Potassium infusions: the sum over every bag, against what the line takes (B1)."""

from __future__ import annotations

from cds.advisory import Advisory, Amend, Branch, Precedence, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Criterion,
    DayTotal,
    Expression,
    HookIs,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderIs,
    State,
    Total,
)
from cds.parameters import Limit, ParameterSet
from cds.states.parts import POTASSIUM_ORDERS, POTASSIUM_TOUCHES, computable, held, potassium_on_the_ward

CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
LABEL = "Potassium chloride injection, US label"
UK_POTASSIUM = "UK hospital potassium guidance (UKMi, NHS Highland)"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: potassium_infusion.toml."""
    return (_rate_exceeds_line_limit(p),)


def _rate_exceeds_line_limit(p: ParameterSet) -> Advisory:
    every, outside = Total("potassium"), Total("potassium", lines="not central")
    strength, day, ward = OfOrder("concentration", "potassium"), DayTotal("potassium"), potassium_on_the_ward(p)
    central, in_crisis = OrderIs("line central"), State("crisis shown")
    bags = OrderFilter(POTASSIUM_ORDERS, "either", "intravenous")
    facts: dict[str, Expression] = {"sum": every, "outside": outside, "this": OfOrder("per_hour", "potassium"), "strength": strength, "day": day}
    sums = ("Potassium from all running and drafted bags: {sum}; this order: {this}.", "Through lines not recorded as central: {outside}.")
    slow = (
        "By local protocol: lower the rate, or space the bags; continuous ECG above {p.potassium_not_central_warning}.",
        "Measure potassium again after each {p.potassium_recheck_after} mmol.",
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
            "any line, dangerous", _above(p["potassium_central_critical"]), "critical",
            Words("Slow potassium to {p.potassium_central_critical} or less by any line: all bags together {sum}", sums, slow, cautions, facts=facts),
            to_central,
        ),
        Branch(
            "peripheral line, dangerous", _above(p["potassium_not_central_critical"], "not central"), "critical",
            Words("Slow potassium to {p.potassium_not_central_critical} or less outside a central line: now {outside}", sums, slow, cautions, facts=facts),
            to_peripheral,
        ),
        Branch(
            "peripheral line, far too strong", computable(strength, AllOf((Not(central), AtLeastValue(strength, p["peripheral_concentration_critical"])))), "critical",
            Words(
                "Potassium at {strength} outside a central line: dilute it or use a central line",
                sums, ("By local protocol: {p.peripheral_max_concentration} or less through a peripheral line.", *slow), cautions, facts=facts,
            ),
        ),
    ]  # fmt: skip
    if held(p, "potassium_per_kg_critical"):
        branches += _per_kg(p, sums, slow, cautions, facts)
    label: tuple[str, ...] = ()
    if held(p, "potassium_label_high_rate_below"):
        label = (
            "The US label allows up to {p.potassium_central_critical} with continuous ECG when potassium is below {p.potassium_label_high_rate_below}, "
            "or with ECG change or paralysis.",
        )
    regimen: tuple[str, ...] = ()
    if p.population == "adult":
        regimen = ("In a hyperglycaemic crisis {p.potassium_infusion_usual} mmol/h is the usual regimen, with bags of at most {p.peripheral_max_concentration}.",)
    strong_bag = AnyOrder(bags, computable(strength, Above(strength, p["peripheral_max_concentration"])))
    branches += [
        Branch(
            "central line", _above(p["potassium_central_warning"]), "warning",
            Words(
                "Slow potassium, or continuous ECG: above {p.potassium_central_warning}, all bags together {sum}",
                sums, slow, cautions,
                label, facts,
            ),
            to_central,
        ),
        Branch(
            "peripheral line", AllOf((_above(p["potassium_not_central_warning"], "not central"), Not(AllOf((in_crisis, Not(strong_bag)))))), "warning",
            Words(
                "Slow potassium to {p.potassium_not_central_warning} or less outside a central line: now {outside}",
                sums, slow, cautions,
                regimen, facts,
            ),
            to_peripheral,
        ),
        Branch(
            "peripheral line, too strong", computable(strength, AllOf((Not(central), Above(strength, p["peripheral_max_concentration"])))), "warning",
            Words(
                "Potassium at {strength} outside a central line: dilute to {p.peripheral_max_concentration} or less",
                sums, ("By local protocol: a weaker bag, or a central line.",), cautions,
                ("Many US hospitals give stronger premixed bags through peripheral lines; UK guidance keeps to {p.peripheral_max_concentration}.",), facts,
            ),
        ),
        Branch(
            "day, far too much", computable(day, Above(day, p["potassium_day_high"])), "warning",
            Words("Potassium {day} ordered: above {p.potassium_day_high} a day, reduce", sums, slow, cautions, facts=facts),
        ),
        Branch(
            "day", computable(day, AllOf((Above(day, p["potassium_day_warning"]), Above(ward, p["potassium_day_unless_below"]), Not(in_crisis)))), "warning",
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
        touches=POTASSIUM_TOUCHES,
        # The strength of a potassium bag is said once, here.
        precedence=(Precedence("silences", "concentrated-fluid-through-peripheral-line", "order"),),
        hazards=("HZ-04", "HZ-12", "HZ-13", "HZ-14", "HZ-38"),
        purpose="Potassium summed over every bag, against the limit of its line.",
    )


def _above(limit: Limit, lines: str = "any", *, per_kg: bool = False) -> Criterion:
    """The sum is above the limit. While an order is being chosen and its rate is not, what already runs is judged alone (F-11)."""
    signed, running = Total("potassium", lines=lines, per_kg=per_kg), Total("potassium", "running", lines, per_kg)
    not_chosen = AllOf((HookIs(("order-select",)), NotComputable(Total("potassium", lines=lines))))
    return AnyOf((AllOf((Not(not_chosen), Above(signed, limit))), AllOf((not_chosen, Above(running, limit)))))


def _per_kg(p: ParameterSet, sums: tuple[str, ...], slow: tuple[str, ...], cautions: tuple[str, ...], facts: dict[str, Expression]) -> list[Branch]:
    """A child's limits by body weight."""
    per_kg = Total("potassium", per_kg=True)
    facts = {**facts, "per_kg": per_kg}
    crisis: Criterion = State("crisis shown")

    def words(summary: str) -> Words:
        return Words(summary, (*sums, "By weight: {per_kg}."), slow, cautions, facts=facts)

    return [
        Branch(
            "child, dangerous", _above(p["potassium_per_kg_critical"], per_kg=True), "critical",
            words("Slow potassium in this child: above {p.potassium_per_kg_critical}, all bags {sum}"),
        ),
        Branch(
            "child in a crisis", AllOf((crisis, _above(p["potassium_per_kg_warning_in_crisis"], per_kg=True))), "warning",
            words("Check potassium in this child: above {p.potassium_per_kg_warning_in_crisis}, all bags {sum}"),
        ),
        Branch(
            "child", AllOf((Not(crisis), _above(p["potassium_per_kg_warning"], per_kg=True))), "warning",
            words("Check potassium in this child: above {p.potassium_per_kg_warning}, all bags {sum}"),
        ),
    ]  # fmt: skip
