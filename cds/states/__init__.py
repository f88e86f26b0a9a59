"""Named states that topics share: crisis context, seizure state, kidneys. Each is a criterion, or a pure function where the dates of several
records meet; each is judged once for an assessment, keeps its evidence, and may rest on others but never on itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from cds.logic.scene import StateDef, StateValue
from cds.parameters import ParameterSet
from cds.states import (
    acid,
    airway,
    asm_stop,
    breathing,
    clouded,
    crisis,
    crisis_start,
    fluid_state,
    gestation,
    heart,
    infection,
    insulin_course,
    kidney,
    level,
    minerals,
    potassium_level,
    pregnancy,
    seizure,
    seizure_cause,
    sepsis,
)


def STATES(p: ParameterSet) -> Mapping[str, StateDef]:  # noqa: N802 - a table that depends on the population
    """Every named state for one population. ValueError when a name is given twice."""
    found: dict[str, StateDef] = {}
    modules = (
        airway, breathing, crisis, crisis_start, fluid_state, gestation, heart, infection, insulin_course, acid, kidney, minerals, potassium_level, pregnancy,
        seizure, seizure_cause, sepsis, asm_stop, clouded, level,
    )  # fmt: skip
    for definition in (each for module in modules for each in module.states(p)):
        if definition.name in found:
            raise ValueError(f"state '{definition.name}' is defined twice")
        if (definition.node is None) == (definition.compute is None):
            raise ValueError(f"state '{definition.name}' needs a criterion or a function, not both")
        found[definition.name] = definition
    return MappingProxyType(found)


__all__ = ["STATES", "StateDef", "StateValue"]
