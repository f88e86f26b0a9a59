"""Contexts of crisis: look-back, diagnoses with and without a date, and what counts as known diabetes (1.5, F-33)."""

from __future__ import annotations

import pytest

from cds.chart import Chart
from cds.logic.evaluate import evaluate
from cds.logic.scene import Scene
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from tests.charts import chart, condition, given, insulin, order, result
from tests.topics.table import knowledge


def state(name: str, made: Chart, profile: str = "") -> Truth:
    """A state of a chart, under the figures of the patient's age."""
    age = made.age_years()
    population = knowledge(profile).population("child" if age is not None and age[1] < 18 else "adult")
    return Scene(made, population.p, population.states, evaluate).state(name).truth


def gas(age: float, *, bhb: str = "5", ph: str = "7.15", glucose: str = "28", hco3: str = "10") -> list[object]:
    """One set of results of a crisis, or of its end."""
    return [
        result("beta_hydroxybutyrate", bhb, age=age), result("ph", ph, age=age), result("glucose", glucose, age=age), result("bicarbonate", hco3, age=age),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("items", "expect"),
    [
        pytest.param([*gas(30)], TRUE, id="now"),
        pytest.param([*gas(600)], TRUE, id="ten hours ago, nothing since"),
        pytest.param([*gas(600), *gas(60, bhb="0.4", ph="7.34", glucose="9", hco3="19")], FALSE, id="ten hours ago, over since"),
        pytest.param([*gas(600), *gas(60, bhb="1.2", ph="7.34", glucose="9", hco3="19")], TRUE, id="better, not over"),
        pytest.param([*gas(900), *gas(600, bhb="0.4", ph="7.34", hco3="19"), *gas(60)], TRUE, id="over and back"),
        pytest.param([*gas(1500)], FALSE, id="25 hours ago"),
        pytest.param([condition("diabetic_ketoacidosis", recorded=2880)], TRUE, id="diagnosis recorded 48 h ago"),
        pytest.param([condition("diabetic_ketoacidosis", recorded=2881)], FALSE, id="diagnosis recorded longer ago"),
        pytest.param([condition("diabetic_ketoacidosis", onset=600, recorded=9000)], TRUE, id="begun ten hours ago"),
        pytest.param([condition("diabetic_ketoacidosis", onset=600, clinical="resolved")], FALSE, id="resolved"),
        pytest.param([condition("diabetic_ketoacidosis")], FALSE, id="undated, nothing beside it"),
        pytest.param([condition("diabetic_ketoacidosis"), result("glucose", "11.1", age=60)], TRUE, id="undated, glucose 11.1"),
        pytest.param([condition("diabetic_ketoacidosis"), result("glucose", "11.0", age=60)], FALSE, id="undated, glucose 11.0"),
        pytest.param([condition("diabetic_ketoacidosis"), result("beta_hydroxybutyrate", "1.5", age=60)], TRUE, id="undated, ketones 1.5"),
        pytest.param([condition("diabetic_ketoacidosis"), insulin("4", drafted=True)], TRUE, id="undated, insulin by vein"),
        pytest.param([result("glucose", "33.3", age=30), result("sodium", "140", age=30)], TRUE, id="hyperosmolar, gas not back (Q-M04)"),
        pytest.param([result("glucose", "33.2", age=30), result("sodium", "140", age=30)], FALSE, id="glucose just below"),
        pytest.param([result("glucose", "600", "mg/dL", age=30), result("sodium", "140", age=30)], TRUE, id="600 mg/dL"),
    ],
)
def test_hz_06_crisis_is_shown(items: list[object], expect: Truth) -> None:
    """What the record shows, now and in the last day."""
    assert state("crisis shown", chart(*items)) is expect  # type: ignore[arg-type]


def test_crisis_context_is_unknown_while_conditions_failed() -> None:
    """A list that failed shows no crisis, and does not deny one."""
    made = chart(result("glucose", "6", age=30), failed=["conditions"])
    assert state("crisis context", made) is UNKNOWN
    assert state("crisis shown", made) is FALSE


@pytest.mark.parametrize(
    ("profile", "bhb", "ph", "hco3", "glucose", "expect"),
    [
        ("", "0.5", "7.30", "12", "9", TRUE),
        ("", "0.5", "7.20", "18", "9", TRUE),
        ("", "0.5", "7.29", "17.9", "9", FALSE),
        ("", "0.6", "7.36", "20", "9", FALSE),
        ("uk-2023", "0.5", "7.30", "20", "9", FALSE),
        ("uk-2023", "0.5", "7.31", "12", "9", TRUE),
        ("us-2009", "0.9", "7.31", "15", "11.0", TRUE),
        ("us-2009", "0.9", "7.31", "15", "11.2", FALSE),
    ],
)
def test_ketoacidosis_over(profile: str, bhb: str, ph: str, hco3: str, glucose: str, expect: Truth) -> None:
    """Umpierrez 2024 (sentence quoted in a review), JBDS 2023, Kitabchi 2009 (hospital manual)."""
    made = chart(*gas(60, bhb=bhb, ph=ph, hco3=hco3, glucose=glucose), result("sodium", "140", age=60), result("chloride", "110", age=60))  # type: ignore[arg-type]
    assert state("ketoacidosis over", made, profile) is expect


@pytest.mark.parametrize(
    ("items", "expect"),
    [
        pytest.param([condition("diabetes")], TRUE, id="diagnosis"),
        pytest.param([condition("diabetes", verification="refuted")], FALSE, id="refuted"),
        pytest.param([order("empagliflozin", route="oral", per_day="1")], TRUE, id="SGLT2 inhibitor, whatever for"),
        pytest.param([order("metformin", route="oral", home=True)], TRUE, id="home metformin"),
        pytest.param([order("metformin", route="oral", status="stopped")], FALSE, id="stopped metformin"),
        pytest.param([insulin("4", start=60)], FALSE, id="insulin by vein of this episode"),
        pytest.param([order("insulin_glargine", route="subcutaneous", home=True)], TRUE, id="home insulin"),
        pytest.param([order("insulin_glargine", route="subcutaneous", authored=2000)], TRUE, id="basal insulin from before"),
        pytest.param([order("insulin_glargine", route="subcutaneous", authored=60)], FALSE, id="basal insulin begun today"),
        pytest.param([order("empagliflozin", route="oral", drafted=True)], FALSE, id="only drafted"),
    ],
)
def test_known_diabetes(items: list[object], expect: Truth) -> None:
    """1.5: insulin begun in this episode does not count."""
    assert state("known diabetes", chart(*items)) is expect  # type: ignore[arg-type]


def test_hz_13_insulin_start_is_dated_by_the_administration() -> None:
    """The start of insulin is the earliest that the record names."""
    running = insulin("6", start=200)
    made = chart(running, given(["insulin_soluble"], 190, status="in-progress", of=running))
    population = knowledge().adult
    value = Scene(made, population.p, population.states, evaluate).state("insulin running")
    assert value.truth is TRUE
    assert (made.now - value.events["insulin start"].latest) // 60_000 == 200
