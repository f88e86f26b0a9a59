"""On which analytes the truth of a criterion hangs: those of which one alone, at another value, could change it. What is left out never could, so the search
for the nearest flip need not try it; what is in may still not (it is judged)."""

from __future__ import annotations

from cds.chart import Order
from cds.logic.compiled import Compiled
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    CultureShows,
    HasAllergy,
    HasCare,
    HasCondition,
    HasOrder,
    HookIs,
    InvestigationOrdered,
    NoneWithin,
    NoOrder,
    Not,
    NotComputable,
    OrderHas,
    OrderIs,
    OrderReason,
    OrderTested,
    PatientIs,
    State,
    TableRow,
)
from cds.logic.scene import Scene
from cds.logic.truth import FALSE, TRUE
from cds.logic.walk import walk_with_states
from cds.logic.working import analytes_of_expression
from cds.vocabulary import ANALYTES

NOTHING: frozenset[str] = frozenset()
EVERYTHING = frozenset(ANALYTES)
_NO_VALUE = (
    NoneWithin, HasCondition, HasOrder, NoOrder, OrderIs, OrderHas, OrderReason, TableRow, HookIs, PatientIs, NotComputable, HasAllergy, HasCare,
    InvestigationOrdered, OrderTested, CultureShows,
)  # fmt: skip


def hangs_on(compiled: Compiled, scene: Scene, order: Order | None) -> frozenset[str]:
    """The analytes of which one alone could change the truth of a criterion that is TRUE or FALSE on this scene."""
    node = compiled.node
    match node:
        case AllOf() | AnyOf():
            truth = compiled.truth(scene, order)
            # The truth that one part alone gives the whole: such a whole changes only when every part that gives it does.
            alone = FALSE if isinstance(node, AllOf) else TRUE
            if truth is alone:
                giving = [hangs_on(part, scene, order) for part in compiled.parts if part.truth(scene, order) is alone]
                return frozenset.intersection(*giving)
            return NOTHING.union(*(hangs_on(part, scene, order) for part in compiled.parts))
        case Not():
            return hangs_on(compiled.parts[0], scene, order)
        case Below(item) | AtMostValue(item) | Above(item) | AtLeastValue(item) | Between(item):
            found = analytes_of_expression(item)
            return EVERYTHING if found is None else found
        case State(name):
            definition = scene.state_defs.get(name)
            if definition is not None and definition.compiled is not None:
                return hangs_on(definition.compiled, scene, None)
            return scene.rests_on(name)
        case _ if isinstance(node, _NO_VALUE):
            return NOTHING
        case _:
            return _anywhere_in(compiled, scene)


def _anywhere_in(compiled: Compiled, scene: Scene) -> frozenset[str]:
    """Every analyte that a criterion looks at, also through states."""
    known = scene.looks_at.get(id(compiled))
    if known is not None:
        return known
    found: set[str] = set()
    for part in walk_with_states(compiled.node, scene.state_defs):
        if isinstance(part, (Below, AtMostValue, Above, AtLeastValue, Between)):
            found |= analytes_of_expression(part.item) or EVERYTHING
        elif isinstance(part, State) and scene.state_defs[part.name].node is None:
            found |= scene.rests_on(part.name)
    made = scene.looks_at[id(compiled)] = frozenset(found)
    return made
