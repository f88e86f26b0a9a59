"""With another value of one analyte, a state is judged again wherever it may have read that analyte, whoever judged its parts first (cds.logic.reads)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from cds.chart import Result
from cds.logic import reads as reading
from cds.logic.compiled import compile_criterion
from cds.logic.criteria import AllOf, AtLeastValue, Below, Latest, Not, State, StillIn
from cds.logic.flip import Changed
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.numbers import point
from tests.logic.scenes import chart, limit, result, scene

AGE, DAY, MOST = limit("240", "min", "age"), limit("1440", "min", "day"), limit("48", "1", "most")
LOW = Below(Latest("potassium", AGE), limit("3.5", "mmol/L", "low"))
SWEET = AtLeastValue(Latest("glucose", AGE), limit("11", "mmol/L", "sweet"))
KETONES = AtLeastValue(Latest("beta_hydroxybutyrate", AGE), limit("3", "mmol/L", "ketones"))


def asks(seen: Scene) -> StateValue:
    return StateValue(seen.state("low").truth)


STATES = {
    "low": StateDef("low", "", LOW),
    "asks": StateDef("asks", "", compute=asks),
    "met": StateDef("met", "", AllOf((KETONES, SWEET))),
    "was met": StateDef("was met", "", StillIn(State("met"), Not(KETONES), ("beta_hydroxybutyrate",), DAY, MOST)),
}


def with_value(seen: Scene, old: Result, value: str) -> Scene:
    """The scene in which one result has another value."""
    new = point(Decimal(value))
    changed = Result(old.ref, old.analyte, new, new, old.unit, f"{value} {old.unit}", old.at, old.method, path=old.path)
    return seen.with_results(Changed(seen.chart.results, old.analyte, (changed,)), old.analyte)


@pytest.mark.parametrize("name", ["low", "asks"])
def test_a_state_whose_criterion_was_judged_before_it_is_judged_again(name: str) -> None:
    potassium = result("potassium", "3.2")
    seen = scene(chart(potassium), states=STATES)
    assert compile_criterion(LOW).truth(seen, None) is TRUE
    assert seen.state(name).truth is TRUE
    assert with_value(seen, potassium, "4.0").state(name).truth is FALSE


def test_a_look_back_is_judged_again_for_what_it_read_in_the_past() -> None:
    glucose = result("glucose", "20", 500)
    seen = scene(chart(result("beta_hydroxybutyrate", "4", 500), glucose), states=STATES)
    assert seen.state("was met").truth is TRUE
    assert with_value(seen, glucose, "8").state("was met").truth is FALSE


def test_what_reads_nothing_of_it_is_kept() -> None:
    glucose = result("glucose", "20")
    seen = scene(chart(result("potassium", "3.2"), glucose), states=STATES)
    kept = seen.state("low")
    assert with_value(seen, glucose, "8").state("low") is kept


def test_control_reads_that_forget_an_analyte_are_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "reads", lambda *_: (frozenset(), ()))
    potassium = result("potassium", "3.2")
    seen = scene(chart(potassium), states=STATES)
    assert seen.state("low").truth is TRUE
    assert with_value(seen, potassium, "4.0").state("low").truth is TRUE
