"""Only a state that says so may tell the time of an event: whoever asks for the time looks at no other."""

from __future__ import annotations

import pytest

from cds.chart import MINUTE, Moment
from cds.logic.scene import KnowledgeError, Scene, StateDef, StateValue
from cds.logic.truth import TRUE
from tests.logic.scenes import NOW, chart, scene

BEGUN = Moment(NOW - 60 * MINUTE, NOW - 60 * MINUTE)


def begun(_: Scene) -> StateValue:
    return StateValue(TRUE, events={"onset": BEGUN})


def test_an_event_is_told_by_the_state_that_says_so() -> None:
    states = {"begun": StateDef("begun", "", compute=begun, dates=("onset",))}
    assert scene(chart(), states=states).event("onset") == BEGUN
    assert scene(chart(), states=states).event("another") is None


def test_a_state_that_dates_an_event_without_saying_so_is_refused() -> None:
    silent = scene(chart(), states={"begun": StateDef("begun", "", compute=begun)})
    with pytest.raises(KnowledgeError, match="does not say so"):
        silent.state("begun")


def test_no_other_state_is_asked() -> None:
    def breaks(_: Scene) -> StateValue:
        raise ZeroDivisionError

    states = {"other": StateDef("other", "", compute=breaks), "begun": StateDef("begun", "", compute=begun, dates=("onset",))}
    assert scene(chart(), states=states).event("onset") == BEGUN
