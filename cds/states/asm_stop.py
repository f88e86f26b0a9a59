"""Anti-seizure medicines whose order ended lately (C14, R-n54). Only an end whose time is on record counts: old lists are full of stopped orders."""

from __future__ import annotations

from functools import partial

from cds.chart import MINUTE
from cds.logic.matching import seen_order
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import Parameter, ParameterSet
from cds.vocabulary import class_members

SOURCE = "own rule C14, R-n54"
STOPPABLE = tuple(sorted(class_members("anti_seizure") | class_members("benzodiazepine")))


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """One state for each medicine that may be maintenance."""
    return tuple(
        StateDef(f"{drug} ended lately", f"a repeated order of {drug.replace('_', ' ')} ended within a day", compute=partial(_ended, drug=drug), source=SOURCE)
        for drug in STOPPABLE
    )


def _ended(scene: Scene, *, drug: str) -> StateValue:
    limit = scene.p["asm_stop_told"]
    floor = scene.now - int(limit.number * MINUTE) if isinstance(limit, Parameter) else scene.now
    for order, sure in scene.orders.ended_since_certainty(floor):
        if sure and drug in order.drugs and not scene.reading(order).once:
            return StateValue(TRUE, (seen_order(order, scene),))
    return StateValue(FALSE)
