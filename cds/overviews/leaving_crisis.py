"""What speaks for and against leaving after a hyperglycaemic crisis or a dangerous electrolyte."""

from __future__ import annotations

from collections.abc import Iterator

from cds.advisory import Assessment, Outcome
from cds.chart import MINUTE, Order
from cds.logic.compare import compare, is_above, is_below
from cds.logic.criteria import Extreme, HasOrder, Latest, OfOrder, OrderFilter
from cds.logic.scene import Candidate, Missing, Number, Scene
from cds.logic.truth import FALSE, TRUE
from cds.numbers import spread
from cds.overviews.contexts import Contexts, found_by, verdict_of
from cds.overviews.items import Item, against, ask, fits, in_range, list_gap, names, not_known, of_finding, on_list, seen_orders
from cds.overviews.views import ago, clock_time, figure_text, minutes_of
from cds.parameters import Parameter

SGLT2, METFORMIN, CAUSE, DOSE = "sglt2-inhibitor-in-ketoacidosis", "metformin-in-acidosis", "crisis-cause-not-sought", "subcutaneous-transition-dose"
_KETONES = ("beta_hydroxybutyrate", "ph", "bicarbonate", "urine_ketones")
_CAUSES = ("infection", "pneumonia", "urinary_tract_infection", "pyelonephritis", "sepsis", "septic_shock", "myocardial_infarction", "pancreatitis", "stroke")
_KEPT = (("ketoacidosis criteria met", "ketoacidosis over"), ("hyperosmolar numbers met", "hyperosmolar state over"))


def electrolytes(scene: Scene) -> Iterator[Item]:
    """Potassium without a drip, and the minerals and sodium."""
    yield in_range(scene, "Potassium", "potassium", "discharge_result_age", "discharge_potassium_from", "discharge_potassium_to")
    yield _potassium_by_vein(scene)
    yield in_range(scene, "Magnesium", "magnesium", "discharge_mineral_age", "magnesium_low_below")
    yield in_range(scene, "Phosphate", "phosphate", "discharge_mineral_age", "phosphate_low_below")
    yield in_range(scene, "Sodium", "sodium", "discharge_mineral_age", "discharge_sodium_from", "discharge_sodium_to")


def crisis(scene: Scene, stay: Contexts, assessment: Assessment) -> Iterator[Item]:
    """Over by its criteria, glucose, insulin, ketones, cause, and the medicines that may bring it back."""
    ketotic = is_ketotic(scene)
    yield _over(scene)
    yield in_range(scene, "Glucose", "glucose", "discharge_glucose_age", "hypoglycaemia_below", "discharge_glucose_to")
    yield _no_low_glucose(scene)
    yield in_range(scene, "Ketones", "beta_hydroxybutyrate", "discharge_result_age", "", "ketoacidosis_over_ketones", include_high=False)
    yield from _basal(scene, assessment, needed=ketotic or bool(scene.conditions(("diabetes_type_1",))))
    yield _cause(scene, assessment)
    yield _sglt2(scene, ketotic=ketotic)
    yield from _metformin(scene, assessment)
    yield ask("Sick-day advice, and ketone strips where ketoacidosis was: given and understood?")


def is_ketotic(scene: Scene) -> bool:
    """Whether the crisis of this stay was a ketoacidosis: by diagnosis, by its criteria, or by ketones of a crisis."""
    if scene.state("ketoacidosis lately").truth is TRUE or any(_in_stay(scene, "diabetic_ketoacidosis")):
        return True
    limit, highest = scene.p["ketoacidosis_ketones"], scene.number(Extreme("beta_hydroxybutyrate", scene.p["discharge_stay"], "highest"))
    return isinstance(limit, Parameter) and isinstance(highest, Number) and compare(highest, limit, is_below) is False


def _in_stay(scene: Scene, concept: str) -> Iterator[bool]:
    floor = scene.now - (minutes_of(scene.p, "discharge_stay") or 0) * MINUTE
    for condition in scene.conditions((concept,)):
        at = condition.onset or condition.recorded
        yield condition.active if at is None else at.latest >= floor


def _over(scene: Scene) -> Item:
    """By the newest instant at which the criteria of the crisis or of its end were met: results of that time decide, never their age alone (A13)."""
    window, most = minutes_of(scene.p, "discharge_stay"), scene.p["crisis_look_back_instants"]
    floor = scene.now - (window or 0) * MINUTE
    times = {r.at.latest for name in (*_KETONES, "sodium", "glucose") for r in scene.recent(name, floor) if r.at.exact and floor <= r.at.latest <= scene.now}
    count = int(most.number) if isinstance(most, Parameter) else 0
    for instant in sorted(times, reverse=True)[:count]:
        past = scene.at(instant)
        for met, over in _KEPT:
            if past.state(met).truth is TRUE:
                return against(f"Crisis: its criteria were met at {clock_time(instant, scene.now)}, and no later results show its end", "crisis not shown to be over")
            if past.state(over).truth is TRUE and (met == "hyperosmolar numbers met") is not is_ketotic(scene):
                return fits(f"Crisis over by its criteria at {clock_time(instant, scene.now)}", past.state(over).seen)
    return not_known("Crisis: no results of one time show its end (ketones with pH or bicarbonate; osmolality, glucose, urine and coma score)", "end of the crisis not shown")


def _no_low_glucose(scene: Scene) -> Item:
    window, limit = scene.p["discharge_quiet"], scene.p["hypoglycaemia_below"]
    lowest = scene.number(Extreme("glucose", window, "lowest"))
    span = figure_text(scene.p, "discharge_quiet")
    if not isinstance(lowest, Number) or not isinstance(limit, Parameter):
        return not_known(f"Low glucose in the last {span}: not known, no exact result in that time", "glucose of the last day not known")
    # A result that is no exact number, "<3", is no sample of a series: it is looked at apart.
    for result in scene.recent("glucose", scene.now - int(window.number if isinstance(window, Parameter) else 0) * MINUTE):
        if result.value.below(limit.number) is True and result.at.latest >= scene.now - int(window.number if isinstance(window, Parameter) else 0) * MINUTE:
            seen = scene.seen_result(result)
            return against(f"Low glucose in the last {span}: {seen.text}, {ago(seen.at, scene.now)}", f"low glucose {seen.text}", (seen,))
    seen = lowest.seen[0]
    return fits(f"No glucose below {figure_text(scene.p, 'hypoglycaemia_below')} in the last {span}; lowest {seen.text}, {ago(seen.at, scene.now)}", (seen,))


def _potassium_by_vein(scene: Scene) -> Item:
    drip = OrderFilter(("potassium_salt", "potassium_phosphate"), "running", "intravenous", ended_within=scene.p["discharge_potassium_without"])
    reason = scene.judge(HasOrder(drip), scene)
    span = figure_text(scene.p, "discharge_potassium_without")
    if reason.truth is TRUE:
        labels = ", ".join(dict.fromkeys(seen.text for seen in reason.seen))
        return against(f"Potassium by vein within {span}: {labels}; not shown to be stable without it", "potassium by vein until now", reason.seen)
    if reason.truth is FALSE:
        return fits(f"No potassium by vein for {span}")
    return not_known(f"Potassium by vein within {span}: not known, {list_gap(scene)}", "potassium by vein not known", reason.seen)


# Insulin --------------------------------------------------------------------------------------------------------------------------------


def _basal(scene: Scene, assessment: Assessment, *, needed: bool) -> Iterator[Item]:
    truth, orders = on_list(scene, ("basal_insulin",))
    if scene.state("insulin shown running").truth is TRUE:
        yield against("Insulin by vein still runs: change to insulin under the skin first", "insulin by vein still runs", scene.state("insulin shown running").seen)
    if truth is FALSE:
        if needed:
            yield against("No basal insulin on the list after ketoacidosis or in type 1 diabetes", "no basal insulin on the list", critical=True)
        else:
            yield ask("No basal insulin on the list: is it the plan?")
        return
    if truth is not TRUE:
        yield not_known(f"Basal insulin: not known, {list_gap(scene)}", "basal insulin not known", seen_orders(orders, scene))
        return
    if len(orders) > 1:
        yield against(f"Two orders of basal insulin on the list ({names(orders)}): say which one goes home", "two basal insulins on the list", seen_orders(orders, scene))
    place = scene.state("basal insulin in place").truth
    if place is TRUE:
        yield fits(f"Basal insulin in place: {names(orders)}", seen_orders(orders, scene))
    elif place is FALSE:
        yield against(f"Basal insulin ordered and not shown to work yet: {names(orders)}", "basal insulin not given yet", seen_orders(orders, scene))
    else:
        yield not_known(f"Basal insulin: when it was given is not known ({names(orders)})", "basal dose not shown as given", seen_orders(orders, scene))
    fired = [finding for finding in found_by(assessment, DOSE) if finding.indicator != "info"]
    if fired:
        yield from (of_finding(finding, "insulin dose under the skin") for finding in fired)
    else:
        yield from (_dose(scene, order) for order in orders)


def _dose(scene: Scene, order: Order) -> Item:
    """The basal dose of a day by weight against what A15 finds plausible."""
    a_day = scene.number(OfOrder("per_day", "insulin"), order)
    weight, most, extreme = scene.weight_kg(), scene.p["transition_basal_most"], scene.p["transition_basal_extreme"]
    if not isinstance(most, Parameter) or not isinstance(extreme, Parameter):
        return ask(f"{order.label}: the specialist team decides insulin under the skin at this age")
    if weight is None:
        return not_known(f"{order.label}: dose not checked, no current weight", "basal dose without a weight")
    if isinstance(a_day, Missing):
        return not_known(f"{order.label}: dose or frequency not stated", "basal dose not stated", seen_orders([order], scene))
    value = a_day.candidates[0].value.over(weight)
    number = Number((Candidate(value, None, most.unit, seen_orders([order], scene)[0]),), most.unit)
    text, seen = f"{order.label}: {spread(value, 2)} unit/kg a day", seen_orders([order], scene)
    if compare(number, extreme, is_above) is True:
        return against(f"{text}, above {figure_text(scene.p, 'transition_basal_extreme')}: check the dose, it may be ten-fold", "basal dose may be ten-fold", seen, critical=True)
    if compare(number, most, is_above) is True:
        return against(f"{text}, above {figure_text(scene.p, 'transition_basal_most')}: check the dose", "basal dose high", seen)
    return fits(f"{text} (usual up to {figure_text(scene.p, 'transition_basal_most')})", seen)


# Cause and medicines --------------------------------------------------------------------------------------------------------------------


def _cause(scene: Scene, assessment: Assessment) -> Item:
    found = found_by(assessment, CAUSE)
    if found:
        return of_finding(found[0], "cause not sought")
    causes = [condition for condition in scene.conditions(_CAUSES) if condition.stands]
    if causes:
        return fits(f"A cause is on record: {', '.join(dict.fromkeys(condition.label for condition in causes))}")
    return not_known("Cause of the crisis: none on record; missed insulin, infection, infarct, a new diabetes?", "cause not on record")


def _sglt2(scene: Scene, *, ketotic: bool) -> Item:
    truth, orders = on_list(scene, ("sglt2_inhibitor",))
    if truth is TRUE:
        why = "after ketoacidosis" if ketotic else "after a crisis"
        text = f"{names(orders)} is on the list {why}: take it off, and tell whoever ordered it why, by local protocol"
        return against(text, f"{names(orders)} is on the list {why}", seen_orders(orders, scene), critical=ketotic)
    if truth is FALSE:
        return fits("No SGLT2 inhibitor on the list")
    return not_known(f"SGLT2 inhibitor: not known, {list_gap(scene)}", "SGLT2 inhibitor not known")


def _metformin(scene: Scene, assessment: Assessment) -> Iterator[Item]:
    truth, orders = on_list(scene, ("metformin",))
    if truth is not TRUE:
        if truth is not FALSE:
            yield not_known(f"Metformin: not known, {list_gap(scene)}", "metformin not known")
        return
    seen = seen_orders(orders, scene)
    fired, verdict = found_by(assessment, METFORMIN), verdict_of(assessment, METFORMIN)
    if fired:
        yield of_finding(fired[0], "metformin")
        return
    creatinine, lactate = (scene.number(Latest(name, scene.p["discharge_mineral_age"])) for name in ("creatinine", "lactate"))
    missing = [name for name, number in (("kidney function", creatinine), ("lactate", lactate)) if isinstance(number, Missing)]
    if missing or (verdict is not None and verdict.outcome is Outcome.UNKNOWN):
        yield not_known(f"{names(orders)} is on the list: {' and '.join(missing) or 'kidney function'} not known in these days", "metformin without kidney function or lactate", seen)
    else:
        shown = tuple(seen_ for number in (creatinine, lactate) if isinstance(number, Number) for seen_ in number.seen)
        yield fits(f"{names(orders)} is on the list, with {' and '.join(f'{s.item} {s.text}' for s in shown)}", (*seen, *shown))


__all__ = ["CAUSE", "DOSE", "METFORMIN", "SGLT2", "crisis", "electrolytes", "is_ketotic"]
