"""Pregnant, perhaps pregnant, lately delivered (own rule 0.1, R-n76). Ages and windows are ours, so the expectations are common practice."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import msgspec
import pytest

from cds.chart import Care, Chart, Moment
from cds.logic.evaluate import evaluate
from cds.logic.scene import Scene
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from cds.parameters import Absent
from tests.charts import NOW, ago, chart, condition, result
from tests.states.test_crisis import state
from tests.topics.table import knowledge

DAY = 1440
STATES = ("pregnant", "pregnancy possible", "post-partum")


def judged(made: Chart) -> tuple[Truth, Truth, Truth]:
    """Pregnant, pregnancy possible, post-partum."""
    return state(STATES[0], made), state(STATES[1], made), state(STATES[2], made)


@pytest.mark.parametrize(
    ("items", "expect"),
    [
        pytest.param([], (FALSE, TRUE, FALSE), id="nothing on record"),
        pytest.param([condition("pregnancy")], (TRUE, FALSE, FALSE), id="active diagnosis"),
        pytest.param([condition("pre_eclampsia", recorded=600)], (TRUE, FALSE, FALSE), id="pre-eclampsia"),
        pytest.param([condition("eclampsia", onset=60)], (FALSE, TRUE, FALSE), id="eclampsia alone may be of the puerperium (R-n76)"),
        pytest.param([condition("pregnancy", "eclampsia", onset=60)], (TRUE, FALSE, FALSE), id="eclampsia in pregnancy"),
        pytest.param([condition("pregnancy", clinical="resolved")], (FALSE, TRUE, FALSE), id="resolved"),
        pytest.param([condition("pregnancy", verification="refuted")], (FALSE, TRUE, FALSE), id="refuted"),
        pytest.param([condition("pregnancy", recorded=301 * DAY)], (TRUE, FALSE, FALSE), id="43 weeks ago"),
        pytest.param([condition("pregnancy", recorded=301 * DAY + 1)], (FALSE, TRUE, FALSE), id="never closed, longer than a pregnancy"),
        pytest.param([result("pregnancy_status", "1", age=60 * DAY)], (TRUE, FALSE, FALSE), id="status pregnant"),
        pytest.param([result("pregnancy_status", "0", age=7 * DAY)], (FALSE, FALSE, FALSE), id="status not pregnant, 7 days old"),
        pytest.param([result("pregnancy_status", "0", age=7 * DAY + 1)], (FALSE, TRUE, FALSE), id="status not pregnant, older"),
        pytest.param([result("pregnancy_status", "1", age=60 * DAY), result("pregnancy_status", "0", age=DAY)], (FALSE, FALSE, FALSE), id="the newer status"),
        pytest.param([result("hcg", "5", age=7 * DAY)], (TRUE, FALSE, FALSE), id="hCG 5, 7 days old"),
        pytest.param([result("hcg", "5", age=7 * DAY + 1)], (FALSE, TRUE, FALSE), id="hCG older than 7 days"),
        pytest.param([result("hcg", "4.9", age=60)], (FALSE, FALSE, FALSE), id="hCG 4.9"),
        pytest.param([result("hcg", "5", "m[iU]/mL", age=60)], (TRUE, FALSE, FALSE), id="hCG in mIU/mL"),
        pytest.param([result("hcg", "<5", age=60)], (FALSE, FALSE, FALSE), id="hCG below 5"),
        pytest.param([result("hcg", "<10", age=60)], (FALSE, TRUE, FALSE), id="hCG below 10 says neither"),
        pytest.param([condition("pregnancy"), result("hcg", "1", age=60)], (TRUE, FALSE, FALSE), id="a diagnosis stands against a test"),
        pytest.param([condition("hysterectomy", recorded=9000)], (FALSE, FALSE, FALSE), id="hysterectomy"),
        pytest.param([condition("sterilisation")], (FALSE, FALSE, FALSE), id="sterilisation"),
        pytest.param([condition("delivery", onset=42 * DAY)], (FALSE, FALSE, TRUE), id="delivered 42 days ago"),
        pytest.param([condition("delivery", onset=42 * DAY + 1)], (FALSE, TRUE, FALSE), id="delivered longer ago"),
        pytest.param([condition("pregnancy", recorded=90 * DAY), condition("delivery", onset=3 * DAY)], (FALSE, FALSE, TRUE), id="delivered since"),
        pytest.param([condition("pregnancy"), condition("delivery", onset=3 * DAY)], (FALSE, FALSE, TRUE), id="pregnancy without a date, delivered lately"),
        pytest.param([condition("pregnancy", onset=60 * DAY), condition("delivery", onset=500 * DAY)], (TRUE, FALSE, FALSE), id="pregnant again"),
        pytest.param([result("hcg", "400", age=60), condition("delivery", onset=3 * DAY)], (FALSE, FALSE, TRUE), id="hCG after a delivery"),
    ],
)
def test_hz_19_pregnancy(items: list[object], expect: tuple[Truth, Truth, Truth]) -> None:
    """A woman of 30: what is recorded decides, and what is not recorded leaves a pregnancy possible."""
    assert judged(chart(*items, years=30)) == expect  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("years", "sex", "expect"),
    [
        (11, "female", FALSE), (12, "female", TRUE), (54, "female", TRUE), (55, "female", FALSE), (30, "male", FALSE), (30, "", UNKNOWN), (30, "other", UNKNOWN), (None, "female", UNKNOWN),
    ],
)  # fmt: skip
def test_hz_19_who_may_be_pregnant(years: int | None, sex: str, expect: Truth) -> None:
    """From 12 to 54 years, female; an unknown sex or age is asked for."""
    assert state("pregnancy possible", chart(years=years, sex=sex)) is expect


def test_hz_19_a_list_that_failed_leaves_it_open() -> None:
    """Without the diagnoses nobody can be called not pregnant, save a man or a woman of 61."""
    assert judged(chart(years=30, failed=("conditions",))) == (UNKNOWN, TRUE, UNKNOWN)
    assert judged(chart(years=61, failed=("conditions",))) == (FALSE, FALSE, FALSE)
    assert judged(chart(years=30, sex="male", failed=("conditions",))) == (FALSE, FALSE, FALSE)
    assert judged(chart(result("pregnancy_status", "1", age=60), years=30, failed=("conditions",)))[0] is TRUE


def test_a_record_of_an_operation_counts() -> None:
    """A delivery and a hysterectomy on the list of procedures."""
    made = chart(years=30)
    birth = Care("Procedure/1", ("delivery",), "completed", "delivery", ago(3 * DAY), ago(3 * DAY))
    assert judged(replace(made, procedures=(birth,))) == (FALSE, FALSE, TRUE)
    womb = Care("Procedure/2", ("hysterectomy",), "completed", "hysterectomy", ago(900 * DAY), ago(900 * DAY))
    assert judged(replace(made, procedures=(womb,))) == (FALSE, FALSE, FALSE)
    assert judged(replace(made, procedures=(msgspec.structs.replace(womb, status="not-done"),))) == (FALSE, TRUE, FALSE)


def test_hz_15_a_delivery_on_an_unsure_day_stays_open() -> None:
    """A month as the date of delivery that holds the 42nd day."""
    at = Moment(NOW - 60 * DAY * 60_000, NOW - 30 * DAY * 60_000, "month only")
    made = chart(replace(condition("delivery"), onset=at), years=30)
    assert judged(made) == (FALSE, TRUE, UNKNOWN)
    assert dt.timedelta(milliseconds=at.latest - (at.earliest or 0)) == dt.timedelta(days=30)


def test_control_hz_19_without_the_ages_nothing_is_possible() -> None:
    """Without the age figures the state is not decided: it does rest on them."""
    made = chart(years=30)
    population = knowledge().population("adult")

    class Without(dict):  # type: ignore[type-arg]
        """The figures without one."""

        def __getitem__(self, key: str) -> object:
            found = population.p[key]
            return Absent(key, found.means, found.unit, "adult", "") if key == "pregnancy_possible_from" else found

    scene = Scene(made, population.p, population.states, evaluate)
    scene.p = Without()  # type: ignore[assignment]
    assert scene.state("pregnancy possible").truth is UNKNOWN
    assert state("pregnancy possible", made) is TRUE
