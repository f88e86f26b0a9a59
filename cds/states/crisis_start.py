"""When a hyperglycaemic crisis began: the first result that met its criteria, or the onset of its diagnosis (R-m27)."""

from __future__ import annotations

from cds.chart import MINUTE, Moment
from cds.logic.criteria import State
from cds.logic.possible import possible
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import Parameter, ParameterSet

SOURCE = "own rule 1.5, R-m27"
_ANALYTES = ("beta_hydroxybutyrate", "urine_ketones", "ph", "bicarbonate", "sodium")
_CONCEPTS = ("diabetic_ketoacidosis", "hyperosmolar_state")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The states that date a crisis."""
    return (
        StateDef("crisis begun", "a crisis context; dates its first result or the onset of its diagnosis", compute=_begun, source=SOURCE, dates=("crisis start",)),
        StateDef("hyperosmolar shown", "the record shows a hyperosmolar context; what is not known does not show one", compute=_hyperosmolar, source=SOURCE),
    )


def _hyperosmolar(scene: Scene) -> StateValue:
    context = scene.state("hyperosmolar context")
    return StateValue(TRUE if context.truth is TRUE else FALSE, lambda: context.seen, lambda: context.gaps, note=context.note)


def _begun(scene: Scene) -> StateValue:
    context = scene.state("crisis context")
    if context.truth is not TRUE or scene.origin is not None:
        return StateValue(context.truth if scene.origin is None else FALSE, lambda: context.seen, lambda: context.gaps)
    moments = [
        moment
        for condition in scene.conditions(_CONCEPTS)
        if condition.active and (moment := condition.onset or condition.recorded) is not None and _recent(scene, moment)
    ]
    first = _first_result(scene)
    if first is not None:
        moments.append(Moment(first, first))
    if not moments:
        return StateValue(TRUE, lambda: context.seen, note="begin not recorded")
    begin = min(moments, key=lambda at: at.latest)
    return StateValue(TRUE, lambda: context.seen, events={"crisis start": begin})


def _recent(scene: Scene, moment: Moment) -> bool:
    window = scene.p["crisis_condition_age"]
    return isinstance(window, Parameter) and moment.latest >= scene.now - int(window.number * MINUTE)


def _first_result(scene: Scene) -> int | None:
    """The earliest draw of the last day at which the criteria of either crisis were met."""
    window, most = scene.p["crisis_look_back"], scene.p["crisis_look_back_instants"]
    if not isinstance(window, Parameter) or not isinstance(most, Parameter):
        return None
    floor = scene.now - int(window.number * MINUTE)
    began = [(name, maybe) for name in ("ketoacidosis criteria met", "hyperosmolar numbers met") if (maybe := possible(State(name), scene, floor)) is not None]
    if not began:
        return None
    times = {r.at.latest for analyte in _ANALYTES for r in scene.recent(analyte, floor) if floor <= r.at.latest <= scene.now and r.at.exact}
    for instant in sorted(sorted(times, reverse=True)[: int(most.number)]):
        if any(maybe(instant) and scene.at(instant).state(name).truth is TRUE for name, maybe in began):
            return instant
    return None
