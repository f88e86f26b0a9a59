"""An airway that is on record as protected. What is not recorded protects nobody: a list that was not sent makes no rule milder."""

from __future__ import annotations

from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import ParameterSet


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The one state of this file."""
    return (StateDef("airway shown protected", "the record shows a protected airway", compute=_shown, source="own rules C4, D6, R-n70"),)


def _shown(scene: Scene) -> StateValue:
    value = scene.state("airway protected")
    return StateValue(TRUE if value.truth is TRUE else FALSE, value.seen)
