"""Levels: which are known, and which were drawn too soon after a load to tell anything (C12).

A dose by vein needs two hours, one into muscle four; a load given since the draw as well."""

from __future__ import annotations

from functools import partial

from cds.chart import MINUTE, Result
from cds.logic.matching import seen_order
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import measured

SOURCE = "own rules C12, R-n51"
ANALYTES = ("phenytoin_total", "phenytoin_free", "valproate_level", "carbamazepine_level", "phenobarbital_level")
LEVELS: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("phenytoin", ("phenytoin_total", "phenytoin_free"), ("phenytoin", "fosphenytoin")),
    ("valproate", ("valproate_level",), ("valproate",)),
    ("phenobarbital", ("phenobarbital_level",), ("phenobarbital",)),
)


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Whether each level is known, and for each that a load by vein can mislead, whether it was drawn too early."""
    known = tuple(
        StateDef(f"{analyte} known", f"a {analyte.replace('_', ' ')} of the last days", compute=partial(measured, analytes=(analyte,), window="level_age"), source="own rule C12: 72 h")
        for analyte in ANALYTES
    )
    early = tuple(
        StateDef(f"{name} level too early", f"the newest {name} level was drawn less than two hours after a load by vein (four into muscle), or before one",
                 compute=partial(_too_early, analytes=analytes, drugs=drugs), source=SOURCE)
        for name, analytes, drugs in LEVELS
    )  # fmt: skip
    return (*known, *early)


def _minutes(scene: Scene, key: str) -> int:
    limit = scene.p[key]
    return int(limit.number * MINUTE) if isinstance(limit, Parameter) else 0


def _newest(scene: Scene, analytes: tuple[str, ...]) -> Result | None:
    found = [result for result in map(scene.newest, analytes) if result is not None]
    return max(found, key=lambda result: result.at.latest, default=None)


def _too_early(scene: Scene, *, analytes: tuple[str, ...], drugs: tuple[str, ...]) -> StateValue:
    """UNKNOWN where the time of a load is not recorded closely enough; FALSE without one on record, whatever else was not sent."""
    level = _newest(scene, analytes)
    if level is None:
        return StateValue(FALSE)
    open_: list[Seen] = []
    for dose in scene.given():
        if not set(dose.order.drugs) & set(drugs):
            continue
        reading = scene.reading(dose.order)
        muscle = any(dosage.route == "intramuscular" for dosage in dose.order.dosages)
        if not reading.once or not (muscle or reading.intravenous is True):
            continue
        before = _minutes(scene, "level_load_settles_muscle" if muscle else "level_load_settles")
        drawn = level.at.earliest if level.at.earliest is not None else level.at.latest
        seen = seen_order(dose.order, scene)
        if dose.at is None or (dose.at.latest > drawn - before and dose.at.earliest is None):
            open_.append(seen)
        elif dose.at.earliest is not None and dose.at.earliest > drawn - before:
            return StateValue(TRUE, (scene.seen_result(level), seen))
        elif dose.at.latest > drawn - before:
            open_.append(seen)
    if open_:
        return StateValue(UNKNOWN, tuple(open_), (Gap("load", GapState.NOT_SENT, "load: when it was given is not recorded, so the level cannot be judged"),))
    return StateValue(FALSE)
