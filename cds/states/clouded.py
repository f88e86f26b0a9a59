"""A patient who has not come round: a coma score that is still low an hour after the last convulsion (own rules for non-convulsive seizures and valproate)."""

from __future__ import annotations

from functools import partial

from cds.chart import MINUTE
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.parameters import Parameter, ParameterSet
from cds.states.seizure import SEIZURES

SOURCE = "own rules: non-convulsive seizures, valproate and ammonia"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Both lines: deep enough for a seizure that goes on unseen, and not clear at all."""
    return (
        StateDef("not come round", "a coma score below the line, drawn an hour or more after the last convulsion", compute=partial(_low, key="nonconvulsive_coma_below"), source=SOURCE),
        StateDef("not clear", "a coma score below full, drawn an hour or more after the last convulsion, or without one in the last day",
                 compute=partial(_low, key="consciousness_full"), source=SOURCE),
    )  # fmt: skip


def _minutes(scene: Scene, key: str) -> int:
    limit = scene.p[key]
    return int(limit.number * MINUTE) if isinstance(limit, Parameter) else 0


def _low(scene: Scene, *, key: str) -> StateValue:
    """By the newest current coma score. FALSE where none is current: what is not recorded is not called low."""
    limit, window = scene.p[key], _minutes(scene, "consciousness_age")
    if not isinstance(limit, Parameter):
        return StateValue(FALSE)
    score = next(iter(scene.recent("gcs", scene.now - window)), None)
    if score is None or score.at.earliest is None or score.at.earliest < scene.now - window:
        return StateValue(FALSE, note="coma score not recorded")
    below = score.value.below(limit.number)
    seen = (scene.seen_result(score),)
    if below is None:
        return StateValue(UNKNOWN, seen, (scene.gap("gcs"),))
    last = _last_convulsion(scene)
    early = last is not None and score.at.earliest < last + _minutes(scene, "post_ictal")
    return StateValue(TRUE if below and not early else FALSE, seen)


def _last_convulsion(scene: Scene) -> int | None:
    """The end of the latest seizure of the last day, where it is recorded, else its onset or its recording; of one that goes on: now."""
    if scene.state("seizure ongoing").truth is TRUE:
        return scene.now
    times = []
    for condition in scene.conditions(SEIZURES):
        at = condition.abatement or condition.onset or condition.recorded
        if at is not None and at.latest >= scene.now - _minutes(scene, "seizure_age"):
            times.append(at.latest)
    return max(times, default=None)
