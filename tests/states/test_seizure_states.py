"""Seizure states: ongoing, recent, history, predisposed (own rule 0.2; O-N02, O-N03, O-N09, R-n9 to R-n16)."""

from __future__ import annotations

import datetime as dt

import pytest

from cds.chart import Condition, Moment
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from tests.charts import NOW, chart, condition, order, result
from tests.states.test_crisis import state


@pytest.mark.parametrize(
    ("items", "ongoing", "recent"),
    [
        pytest.param([condition("seizure", onset=30)], TRUE, FALSE, id="active"),
        pytest.param([condition("seizure", onset=1440)], TRUE, FALSE, id="24 h"),
        pytest.param([condition("seizure", onset=1441)], FALSE, FALSE, id="longer ago"),
        pytest.param([condition("seizure", onset=30, ended=20, clinical="resolved")], FALSE, TRUE, id="ended"),
        pytest.param([condition("seizure", onset=30), result("gcs", "15", age=10)], FALSE, TRUE, id="awake since"),
        pytest.param([condition("seizure", onset=30), result("gcs", "15", age=61)], TRUE, FALSE, id="awake before"),
        pytest.param([condition("seizure", recorded=60)], TRUE, FALSE, id="recorded 60 min ago"),
        pytest.param([condition("seizure", recorded=61)], FALSE, TRUE, id="recorded 61 min ago"),
        pytest.param([condition("seizure")], FALSE, TRUE, id="active, no date"),
        pytest.param([condition("seizure", clinical="resolved")], FALSE, FALSE, id="resolved, no date"),
        pytest.param([condition("status_epilepticus")], TRUE, FALSE, id="coded status, no date"),
        pytest.param([condition("status_epilepticus", recorded=1000)], TRUE, FALSE, id="coded status, recorded within a day"),
        pytest.param([condition("epilepsy", "status_epilepticus")], FALSE, FALSE, id="epilepsy code with status on a problem list"),
        pytest.param([condition("epilepsy")], FALSE, FALSE, id="epilepsy"),
    ],
)
def test_hz_20_seizure_now(items: list[object], ongoing: Truth, recent: Truth) -> None:
    """Problem lists are rarely closed: yesterday's seizure is not a 20-hour status."""
    made = chart(*items)  # type: ignore[arg-type]
    assert (state("seizure ongoing", made), state("seizure recent", made)) == (ongoing, recent)


def test_hz_15_an_onset_that_is_only_a_day_stays_open() -> None:
    """A date without a time is a day: it may lie inside 24 hours or not."""
    start = int(dt.datetime(2026, 3, 13, tzinfo=dt.UTC).timestamp() * 1000)
    day = Moment(start, start + 86_399_999, "date only")
    made = chart(Condition("Condition/1", ("seizure",), "active", "confirmed", "seizure", onset=day))
    assert NOW - day.latest < 86_400_000 < NOW - start
    assert state("seizure ongoing", made) is UNKNOWN


@pytest.mark.parametrize(
    ("items", "expect"),
    [
        pytest.param([condition("epilepsy", clinical="resolved")], TRUE, id="epilepsy, resolved"),
        pytest.param([condition("epilepsy", verification="refuted")], FALSE, id="epilepsy, refuted"),
        pytest.param([condition("seizure", onset=90_000, clinical="resolved")], TRUE, id="an earlier seizure"),
        pytest.param([order("levetiracetam", route="oral", per_day="2")], TRUE, id="levetiracetam, no reason"),
        pytest.param([order("valproate", route="oral", per_day="2", reasons=["epilepsy"])], TRUE, id="valproate for epilepsy"),
        pytest.param([order("valproate", route="oral", per_day="2")], TRUE, id="valproate, no reason: taken as epilepsy"),
        pytest.param([order("valproate", route="oral", per_day="2", reason_stated=True)], FALSE, id="valproate for something else"),
        pytest.param([order("clonazepam", route="oral", per_day="2")], TRUE, id="clonazepam, no reason (R-n14)"),
        pytest.param([order("lorazepam", route="oral", per_day="2")], FALSE, id="lorazepam"),
        pytest.param([], FALSE, id="nothing on record"),
    ],
)
def test_history(items: list[object], expect: Truth) -> None:
    """S2, of what is on record."""
    assert state("seizure history", chart(*items)) is expect  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("items", "expect"),
    [
        pytest.param([condition("stroke", onset=129_600)], TRUE, id="stroke 90 days ago"),
        pytest.param([condition("stroke", onset=129_601)], FALSE, id="stroke longer ago"),
        pytest.param([condition("alcohol_withdrawal")], TRUE, id="withdrawal"),
        pytest.param([result("magnesium", "0.49")], TRUE, id="magnesium 0.49"),
        pytest.param([result("magnesium", "0.50")], FALSE, id="magnesium 0.50"),
        pytest.param([result("magnesium", "1.1", "mg/dL")], TRUE, id="magnesium 1.1 mg/dL"),
        pytest.param([result("sodium", "124")], TRUE, id="sodium 124"),
        pytest.param([result("sodium", "125")], FALSE, id="sodium 125"),
        pytest.param([result("sodium", "120"), result("glucose", "24")], FALSE, id="sodium 120 at glucose 24 is 125.3 corrected (Katz)"),
        pytest.param([result("glucose", "25.1")], TRUE, id="glucose 25.1"),
        pytest.param([result("glucose", "450", "mg/dL")], FALSE, id="glucose 450 mg/dL"),
        pytest.param([result("glucose", "3.2")], TRUE, id="glucose 3.2"),
        pytest.param([result("glucose", "3.2", age=1500)], FALSE, id="glucose of yesterday"),
    ],
)
def test_predisposed(items: list[object], expect: Truth) -> None:
    """S1; figures of C3 (Beghi 2010 for tier 1, ours for tier 2)."""
    assert state("seizure predisposed", chart(*items)) is expect  # type: ignore[arg-type]
