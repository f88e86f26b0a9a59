"""The next step of the course, and the gate that it waits at."""

from __future__ import annotations

from cds.chart import MINUTE
from cds.logic.compare import Number, compare, is_below
from cds.logic.criteria import Formula, Latest
from cds.logic.scene import Scene
from cds.logic.truth import TRUE
from cds.overviews.contexts import Contexts
from cds.overviews.views import Line, figure_text, minutes_of, spell
from cds.parameters import Parameter
from cds.states.parts import word


def steps(scene: Scene, contexts: Contexts, *, low: bool) -> list[Line]:
    """What comes next by the profile, each with the number that opens it. Always "by local protocol": advice for a person, never a command.

    `low`: a low glucose is on record, and comes before everything else.
    """
    lines: list[Line] = [Line("Low glucose first: give glucose by local protocol, then measure again")] if low else []
    if contexts.seizure is TRUE:
        lines += _seizure(scene)
    if contexts.crisis is TRUE:
        lines += _crisis(scene)
    return lines


def _crisis(scene: Scene) -> list[Line]:
    if scene.state("crisis over").truth is TRUE:
        insulin = scene.state("insulin shown running").truth is TRUE
        stop = f"; stop the infusion {figure_text(scene.p, 'insulin_overlap')}" if insulin else ""
        basal = "Basal insulin works already" if scene.state("basal insulin in place").truth is TRUE else "Crisis over by its criteria: basal insulin under the skin by local protocol"
        return [Line(f"{basal}{stop}", scene.state("crisis over").seen)]
    if scene.state("insulin shown running").truth is not TRUE:
        return [_gate_of_insulin(scene)]
    return [_gate_of_glucose(scene), _gate_of_the_end(scene)]


def _gate_of_insulin(scene: Scene) -> Line:
    limit = scene.p["insulin_needs_potassium_at_least"]
    gate = f"insulin when potassium is {figure_text(scene.p, 'insulin_needs_potassium_at_least')} or more"
    number = scene.number(Latest("potassium", scene.p["potassium_age_to_start"], scene.p["together"]))
    if not isinstance(number, Number) or not isinstance(limit, Parameter):
        detail = "no figure for this age" if isinstance(number, Number) else number.gaps[0].detail
        return Line(f"By local protocol: {gate}. Potassium is not known now ({detail}): measure it first")
    found = compare(number, limit, is_below)
    if found is True:
        return Line(f"By local protocol: {gate}. Now {number.seen[0].text}: give potassium first", number.seen)
    if found is None:
        return Line(f"By local protocol: {gate}. Now {number.seen[0].text}: not sure on which side, measure again", number.seen)
    return Line(f"By local protocol: {gate}. Now {number.seen[0].text}: the gate is open", number.seen)


def _gate_of_glucose(scene: Scene) -> Line:
    if scene.state("glucose infusion ordered").truth is TRUE:
        return Line("Glucose infusion beside insulin: ordered; keep it going until the crisis is over")
    hyperosmolar = scene.state("hyperosmolar shown").truth is TRUE and scene.state("ketoacidosis context").truth is not TRUE
    key = "hyperosmolar_glucose_added_below" if hyperosmolar else "ketoacidosis_glucose_added_below"
    limit, number = scene.p[key], scene.number(Latest("glucose", scene.p["glucose_age_on_insulin"]))
    gate = f"Glucose infusion when glucose is below {figure_text(scene.p, key)}"
    if not isinstance(number, Number) or not isinstance(limit, Parameter):
        detail = "no figure for this age" if isinstance(number, Number) else number.gaps[0].detail
        return Line(f"{gate}. Glucose is not known now ({detail})")
    found = compare(number, limit, is_below)
    said = "it is due now" if found is True else "not yet" if found is False else "not sure on which side, measure again"
    return Line(f"{gate}. Now {number.seen[0].text}: {said}", number.seen)


def _gate_of_the_end(scene: Scene) -> Line:
    """What the end of the crisis waits for, by the profile that holds."""
    p = scene.p
    if scene.state("hyperosmolar shown").truth is TRUE and scene.state("ketoacidosis context").truth is not TRUE:
        number = scene.number(Formula("effective_osmolality", p["resolution_age"]))
        now = f" Now effective osmolality {number.seen[-1].text}." if isinstance(number, Number) else " Osmolality is not known now."
        return Line(f"Change to insulin under the skin when osmolality is below {figure_text(p, 'hyperosmolar_over_osmolality')}, awake and passing urine.{now}")
    number = scene.number(Latest("beta_hydroxybutyrate", p["resolution_age"]))
    now = f" Now ketones {number.seen[0].text}." if isinstance(number, Number) else f" Ketones are not known now ({number.gaps[0].detail})."
    gate = f"ketones below {figure_text(p, 'ketoacidosis_over_ketones')} and pH {figure_text(p, 'ketoacidosis_over_ph')} or bicarbonate {figure_text(p, 'ketoacidosis_over_bicarbonate')}"
    if word(p, "ketoacidosis_over_needs").startswith("glucose"):
        gate = f"glucose below {figure_text(p, 'ketoacidosis_over_glucose')} with the gas or the gap corrected"
    return Line(f"Change to insulin under the skin when {gate}; then stop the infusion {figure_text(p, 'insulin_overlap')}.{now}", number.seen)


def _seizure(scene: Scene) -> list[Line]:
    if scene.state("seizure ongoing").truth is not TRUE:
        return [Line("Seizure within a day, not shown as ongoing: cover by a regular anti-seizure medicine, cause looked for, by local protocol")]
    onset, second, third = scene.event("seizure onset"), minutes_of(scene.p, "status_second_from"), minutes_of(scene.p, "status_third_from")
    if onset is None or second is None or third is None:
        return [Line("Seizure ongoing, its beginning is not recorded: count from when it was seen, and take the next step by local protocol")]
    minutes = (scene.now - onset.latest) // MINUTE
    if scene.state("second-line dose given").truth is TRUE:
        return [_step("anaesthetic agent", third, minutes)]
    return [_step("second-line medicine", second, minutes)]


def _step(what: str, at: int, minutes: int) -> Line:
    left = at - minutes
    when = f"due in {spell(left)}" if left > 0 else "due now" if left == 0 else f"OVERDUE by {spell(-left)}"
    return Line(f"By local protocol: {what} at {at} min of seizure, {when} (seizure for {spell(minutes)})")
