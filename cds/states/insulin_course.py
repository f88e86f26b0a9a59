"""Insulin along a crisis: what came before it ended, glucose that runs beside it, and what is drafted for under the skin (A8 to A15, C-03, N4)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal

from cds.chart import MINUTE, Moment, Order
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Below,
    Criterion,
    Formula,
    HasCondition,
    HasOrder,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
    StillIn,
)
from cds.logic.matching import order_is_of
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Missing, Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN, all_of, any_of, truth_of
from cds.numbers import ZERO, Interval, spread
from cds.parameters import Limit, Parameter, ParameterSet
from cds.states.parts import computable, held

SOURCE = "Umpierrez 2024; own rules A8, A10, A12 to A15, C-02, N2"
BASAL = ("basal_insulin",)
HOUR = "first hour of insulin"
_KETONES = ("beta_hydroxybutyrate", "urine_ketones", "ph", "bicarbonate")
_CRISES = (("ketoacidosis lately", "ketoacidosis over"), ("hyperosmolar state lately", "hyperosmolar state over"))


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about the course of insulin, for one population."""
    return (
        StateDef("never over", "a look back that nothing ends", compute=lambda scene: StateValue(FALSE), source="own rule A13"),
        StateDef("ketoacidosis lately", "ketoacidosis in the last day, over or not, or a recent diagnosis", _lately(p, "ketoacidosis criteria met", "ketoacidosis context", _KETONES), source=SOURCE),
        StateDef(
            "hyperosmolar state lately", "a hyperosmolar state in the last day, over or not, or a recent diagnosis",
            _lately(p, "hyperosmolar numbers met", "hyperosmolar context", (*_KETONES, "sodium")), source=SOURCE,
        ),
        StateDef("crisis lately", "a hyperglycaemic crisis in the last day, over or not", AnyOf((State("ketoacidosis lately"), State("hyperosmolar state lately"))), source=SOURCE),
        StateDef("crisis over", "each crisis of the last day is over by its criteria (A13)", compute=_crisis_over, source=SOURCE),
        StateDef("ketoacidosis going on", "ketoacidosis whose end is not shown", compute=_ketoacidosis_going_on, source=SOURCE),
        StateDef("glucose infusion ordered", "a glucose infusion of 5 % or more runs or is drafted (A10, R-m37)", glucose_infusion(p, "glucose_infusion_strength"), source=SOURCE),
        StateDef("basal insulin in place", "basal insulin under the skin works already: given long enough ago, or running as a regular order; or a pump (A14, C-02)", _basal(p), source=SOURCE),
        StateDef("glucose follow-on ordered", "a 10 % glucose infusion follows the insulin for a high potassium (N2)", glucose_infusion(p, "glucose_follow_on_strength"), source=SOURCE),
        StateDef("insulin past its first hour", "insulin runs by vein; dates the end of its first hour", compute=_first_hour, source="own rule A12, R-m30"),
        StateDef("cautious insulin dose", "old age, frailty or poor kidneys: less insulin under the skin (A15)", _cautious(p), source=SOURCE),
        *_drafted(p),
    )  # fmt: skip


# Before and after the end ------------------------------------------------------------------------------------------------------------


def _lately(p: ParameterSet, met: str, context: str, analytes: tuple[str, ...]) -> Criterion:
    """A crisis counts for a day after it is over: its end and the change to insulin under the skin are judged then."""
    return AnyOf((State(context), StillIn(State(met), State("never over"), analytes, p["crisis_look_back"], p["crisis_look_back_instants"])))


def _crisis_over(scene: Scene) -> StateValue:
    lately = [(scene.state(name), end) for name, end in _CRISES]
    ends = [scene.state(end) for value, end in lately if value.truth is TRUE]
    if not ends:
        return StateValue(any_of(value.truth for value, _ in lately), gaps=lambda: tuple(gap for value, _ in lately for gap in value.gaps))
    return StateValue(
        all_of(end.truth for end in ends), lambda: tuple(seen for end in ends for seen in end.seen), lambda: tuple(gap for end in ends for gap in end.gaps)
    )


def _ketoacidosis_going_on(scene: Scene) -> StateValue:
    """UNKNOWN only while it is not known whether there is ketoacidosis; an end that is not known is no end."""
    context = scene.state("ketoacidosis context")
    if context.truth is not TRUE:
        return StateValue(context.truth, lambda: context.seen, lambda: context.gaps)
    over = scene.state("ketoacidosis over")
    return StateValue(FALSE if over.truth is TRUE else TRUE, lambda: (*context.seen, *over.seen), lambda: over.gaps)


def _first_hour(scene: Scene) -> StateValue:
    """The event lies so that a series which begins a little before it begins an hour after insulin did (R-m30)."""
    running, hour, lead = scene.state("insulin running"), scene.p["insulin_first_hour"], scene.p["series_before_event"]
    start = running.events.get("insulin start")
    if start is None or not isinstance(hour, Parameter) or not isinstance(lead, Parameter):
        return StateValue(running.truth, lambda: running.seen, lambda: running.gaps)
    later = int((hour.number + lead.number) * MINUTE)
    moment = Moment(None if start.earliest is None else start.earliest + later, start.latest + later)
    return StateValue(running.truth, lambda: running.seen, lambda: running.gaps, {HOUR: moment})


# Glucose and basal insulin beside it ---------------------------------------------------------------------------------------------------


def glucose_infusion(p: ParameterSet, strength: str) -> Criterion:
    """An infusion that brings glucose: of 250 mL or more, or with a stated rate above 20 mL/h for an hour or more (R-m37), of a strength unless it is shown
    to be weaker. Glucose that another medicine is given in counts as well; one whose volume and rate are not stated leaves it UNKNOWN.
    """
    volume, rate, minutes = OfOrder("amount", "fluid"), OfOrder("per_hour", "fluid"), OfOrder("duration_minutes", "fluid")
    glucose = OfOrder("concentration", "glucose")
    weak = computable(glucose, Below(glucose, p[strength]))
    short = computable(minutes, Below(minutes, p["glucose_infusion_minutes"]))
    size = AnyOf(
        (
            computable(volume, AtLeastValue(volume, p["glucose_infusion_volume"])),
            AllOf((Not(short), computable(rate, Above(rate, p["glucose_infusion_rate"])))),
            AllOf((NotComputable(volume), NotComputable(rate), AtLeastValue(volume, p["glucose_infusion_volume"]))),
        )
    )
    return AnyOrder(OrderFilter(("*",), "either", "intravenous"), AllOf((OrderHas(("glucose_fluid",)), Not(weak), size)))


def _basal(p: ParameterSet) -> Criterion:
    """A basal dose at work (C-02). A regular order counts by its first dose; a single dose for as long as its kind lasts."""
    lead = p["basal_insulin_lead"]
    by_kind = (
        (("insulin_glargine", "insulin_detemir", "other_long_insulin"), "basal_insulin_lasts"),
        (("insulin_isophane", "other_intermediate_insulin", "premixed_insulin"), "basal_insulin_lasts_intermediate"),
        (("insulin_degludec",), "basal_insulin_lasts_degludec"),
    )
    parts: list[Criterion] = [
        HasOrder(OrderFilter(kinds, "given", "subcutaneous", started_within=p[lasts], started_before=lead)) for kinds, lasts in by_kind
    ]
    parts.append(AnyOrder(OrderFilter((*BASAL, "premixed_insulin"), "running", "subcutaneous", started_before=lead), Not(OrderIs("one-off"))))
    # A pump: rapid-acting insulin that flows under the skin.
    parts.append(AnyOrder(OrderFilter(("rapid_insulin",), "running", "subcutaneous"), OrderIs("infusion")))
    return AnyOf(tuple(parts))


# Insulin under the skin --------------------------------------------------------------------------------------------------------------


def _cautious(p: ParameterSet) -> Criterion:
    """UNKNOWN without a creatinine: kidneys that nobody looked at are not taken for good ones (HZ-19)."""
    if not held(p, "transition_old_from"):
        return State("never over")
    return AnyOf(
        (
            AtLeastValue(Age("years"), p["transition_old_from"]),
            HasCondition(("end_stage_renal", "dialysis", "ckd_4_5", "frailty")),
            Below(Formula("ckd_epi", p["creatinine_window"]), p["transition_egfr_below"]),
        )
    )


def _drafted(p: ParameterSet) -> tuple[StateDef, ...]:
    """What is drafted for under the skin, a day and kilogram, against a limit. Each adds up every draft of its kind (HZ-38)."""
    kinds = (
        ("basal insulin far too much", "more basal insulin drafted than any usual dose", BASAL, "transition_basal_extreme", True),
        ("basal insulin high", "more basal insulin drafted than the change from an infusion asks for", BASAL, "transition_basal_most", True),
        ("basal insulin high for the cautious", "more basal insulin drafted than old age or poor kidneys allow", BASAL, "transition_basal_most_cautious", True),
        ("basal insulin low", "less basal insulin drafted than ketosis needs", BASAL, "transition_basal_least", False),
        ("day's insulin high", "more insulin drafted for a day than the change from an infusion asks for", ("insulin",), "transition_day_most", True),
    )
    return tuple(
        StateDef(name, means, compute=_against(classes, p[key] if held(p, key) else None, most=most), source="own rule A15, R-m31, R-m32")
        for name, means, classes, key, most in kinds
    )


def _against(classes: tuple[str, ...], limit: Limit | None, *, most: bool) -> Callable[[Scene], StateValue]:
    def compute(scene: Scene) -> StateValue:
        drafts = [order for order in scene.orders.drafts if order_is_of(order, classes) and scene.intravenous(order) is not True and not scene.reading(order).as_needed]
        if not drafts or not isinstance(limit, Parameter):
            return StateValue(FALSE)
        amounts = [(order, _a_day(order, scene)) for order in drafts]
        gaps = tuple(Gap(f"dose of {order.label}", GapState.NOT_SENT, f"{order.label}: dose not stated") for order, amount in amounts if amount is None)
        weight = scene.weight()
        if isinstance(weight, Missing):
            gaps = (*gaps, *weight.gaps)
        if gaps or isinstance(weight, Missing):
            return StateValue(UNKNOWN, gaps=gaps)
        total = _sum(amount for _, amount in amounts if amount is not None)
        home = _at_home(classes, scene)
        if most and home is not None and total.high is not None and total.high <= home:
            return StateValue(FALSE, note="no more than at home")
        per_kg = total.over(weight.candidates[0].value)
        truth = truth_of(per_kg.above(limit.number) if most else per_kg.below(limit.number))
        kg = weight.candidates[0].seen

        def seen() -> tuple[Seen, ...]:
            text = f"{spread(total, 0)} units a day, {spread(per_kg, 2)} unit/kg ({kg.text})"
            return (*(_drafted_order(order) for order in drafts), Seen("total", "insulin drafted under the skin", text, value=per_kg, unit="[iU]/kg", parts=(kg,)))

        return StateValue(truth, seen)

    return compute


def _drafted_order(order: Order) -> Seen:
    return Seen("order", order.drugs[0], order.label, order.ref, note="drafted", path=order.path)


def _sum(amounts: Iterable[Interval]) -> Interval:
    total = Interval(ZERO, ZERO)
    for amount in amounts:
        total = total + amount
    return total


def _a_day(order: Order, scene: Scene) -> Interval | None:
    """[iU] a day; a dose without a frequency counts once (R-m32)."""
    reading = scene.reading(order)
    dose = reading.substance("insulin")
    if dose is None or dose.amount is None:
        return None
    return dose.amount if reading.per_day is None else dose.amount.scale(reading.per_day)


def _at_home(classes: tuple[str, ...], scene: Scene) -> Decimal | None:
    """[iU] a day of the home medicines of the classes; None where none is known. A home dose that controlled fairly is kept."""
    amounts = [
        _a_day(order, scene)
        for order in scene.orders.listed
        if order.status == "active" and (order.community or order.reported) and order_is_of(order, classes)
    ]
    known = [amount.low for amount in amounts if amount is not None and amount.low is not None]
    return sum(known, ZERO) if known else None


__all__ = ["BASAL", "HOUR", "glucose_infusion", "states"]
