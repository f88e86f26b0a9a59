"""A pacemaker that is on record: only what is shown makes a rule milder."""

from __future__ import annotations

from cds.logic.reason import Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import ParameterSet

PACEMAKER = ("pacemaker",)


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The one state of this file."""
    return (StateDef("pacemaker shown", "a pacemaker among the diagnoses or devices", compute=_pacemaker, source="own rule C8"),)


def _pacemaker(scene: Scene) -> StateValue:
    for condition in scene.conditions(PACEMAKER):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", "pacemaker", condition.label, condition.ref, path=condition.path),))
    for care in scene.chart.procedures:
        if not set(care.concepts).isdisjoint(PACEMAKER) and care.status in ("active", "in-progress", "completed"):
            return StateValue(TRUE, (Seen("procedure", "pacemaker", care.label, care.ref, path=care.path),))
    return StateValue(FALSE)
