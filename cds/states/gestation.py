"""How far a pregnancy has gone: a gestational age is a value of its day, and is aged forward to now."""

from __future__ import annotations

from cds.chart import DAY, MINUTE, Moment
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import Parameter, ParameterSet

SOURCE = "own rule D11"
EVENT = "the last menstrual period"
_DAYS_A_WEEK = 7


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The state that dates a pregnancy."""
    return (StateDef("gestation known", "a gestational age recorded in this pregnancy; dates the last menstrual period", compute=_dated, source=SOURCE, dates=("the last menstrual period",)),)


def _dated(scene: Scene) -> StateValue:
    window = scene.p["gestation_age"]
    if not isinstance(window, Parameter) or scene.state("pregnant").truth is not TRUE:
        # The same code may be the age at birth in a newborn's record: without a pregnancy it dates nothing.
        return StateValue(FALSE)
    floor = scene.now - int(window.number * MINUTE)
    for result in scene.results("gestational_age"):
        weeks = result.value
        if result.at.earliest is None or result.at.earliest < floor or weeks.low is None or weeks.high is None:
            continue
        begun = Moment(result.at.earliest - int(weeks.high * _DAYS_A_WEEK * DAY), result.at.latest - int(weeks.low * _DAYS_A_WEEK * DAY))
        return StateValue(TRUE, (scene.seen_result(result),), events={EVENT: begun})
    return StateValue(FALSE, note="weeks not recorded")
