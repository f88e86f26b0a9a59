"""The lead patient's course over hours, the whole card as a snapshot, and that a card holds nothing that is not in the chart."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cds.chart import MINUTE, Chart, Result
from cds.overviews import COURSE, DISCHARGE, Overview, due, next_step, trend
from tests.charts import NOW, Given, chart, condition, insulin, order, result
from tests.overviews.making import card, cards, says, table, views
from tests.topics.table import Row

SNAPSHOT = Path(__file__).parent / "course_card.md"
EVERY = [*table("course.md"), *table("discharge.md")]
Patch = pytest.MonkeyPatch


def drawn(values: dict[str, list[tuple[int, str]]]) -> list[Result]:
    """Results by analyte, each at so many minutes after the story begins."""
    return [result(name, value, age=360 - minute) for name, each in values.items() for minute, value in each]


RESULTS = drawn(
    {
        "glucose": [(0, "31.0"), (90, "27.0"), (150, "22.0"), (210, "18.5"), (270, "15.0"), (330, "12.8")],
        "beta_hydroxybutyrate": [(0, "5.8"), (150, "4.4"), (270, "3.2"), (355, "0.4")],
        "ph": [(0, "7.12"), (150, "7.20"), (270, "7.28"), (355, "7.34")],
        "bicarbonate": [(0, "8"), (150, "12"), (270, "16"), (355, "19")],
        "potassium": [(0, "3.2"), (80, "3.7"), (200, "3.9")],
    }
)
# Minute of the story, what must stand on the card then; the patient of the lead scenario, in short.
STORY = [
    (10, ["head: potassium 3.2", "next: Now 3.2 mmol/L: give potassium first", "running: Insulin by vein: none on record"]),
    (85, ["next: Now 3.7 mmol/L: the gate is open", "trend: Potassium: 3.2 mmol/L"]),
    (140, ["due: Potassium: due in 60 min", "due: Glucose: due in 10 min", "next: Glucose infusion when glucose is below 13.9 mmol/L"]),
    (285, ["trend: on target (-0.5 mmol/L/h or faster)", "trend: on target (-3 mmol/L/h or faster)", "due: Potassium: due in 2 h 35 min", "due: Glucose: due in 45 min"]),
    (345, ["next: Glucose infusion when glucose is below 13.9 mmol/L. Now 12.8 mmol/L: it is due now"]),
    (359, ["what: over by its criteria", "next: basal insulin under the skin by local protocol"]),
]


def at(minute: int) -> Chart:
    """The chart as it was at a minute of the story; insulin began at minute 90."""
    now = NOW - (360 - minute) * MINUTE
    known = [r for r in RESULTS if r.at.latest <= now]
    orders = [insulin("6.8", start=270)] if minute >= 90 else []
    held = chart(*known, *orders, condition("diabetic_ketoacidosis", "ketoacidosis", onset=370), hook="patient-view")
    return replace(held, now=now)


@pytest.mark.parametrize(("minute", "said"), STORY)
def test_the_course_over_hours(minute: int, said: list[str]) -> None:
    made = card(views(at(minute)), COURSE)
    assert made is not None
    assert [entry for entry in said if not says(made, entry)] == [], made.parts


# Nothing that is not in the chart ---------------------------------------------------------------------------------------------------------


def check_only_the_chart(row: Row, hook: str) -> None:
    held = replace(row.chart(), hook=row.cell("hook") or hook)
    made = views(held, profile=row.profile)
    assert isinstance(held.results, Given)
    refs = {r.ref for r in held.results.results} | {c.ref for c in held.conditions} | {o.ref for o in held.orders}
    texts = {r.text for r in held.results.results}
    for view in made.cards:
        for seen in view.seen:
            for each in (seen, *seen.parts):
                assert not each.ref or each.ref in refs
        for line in (line.text for part in view.parts if part.title == "Trend" for line in part.lines):
            if "ago" in line and not line.startswith(("Sodium, corrected", "Osmolality", "Effective")):
                assert all(any(text in value for text in texts) for value in line.split(": ", 1)[1].split(";", 1)[0].split(", "))


@pytest.mark.parametrize("row", EVERY, ids=str)
def test_hz_01_nothing_is_on_the_card_that_is_not_in_the_chart(row: Row) -> None:
    check_only_the_chart(row, "patient-view" if "course" in row.name else "encounter-discharge")


def test_control_hz_01_a_value_from_elsewhere_is_found(monkeypatch: Patch) -> None:
    monkeypatch.setattr(trend, "_value", lambda *_: "9.9 mmol/L (1 min ago)")
    row = next(row for row in EVERY if "three values" in row.name)
    with pytest.raises(AssertionError):
        check_only_the_chart(row, "patient-view")


# Controls of the gates ---------------------------------------------------------------------------------------------------------------------


def check_gate() -> None:
    made = card(views(at(10)), COURSE)
    assert made is not None and says(made, "next: give potassium first")


def test_gate_of_insulin() -> None:
    check_gate()


def test_control_a_gate_that_always_opens_is_found(monkeypatch: Patch) -> None:
    monkeypatch.setattr(next_step, "compare", lambda *_: False)
    with pytest.raises(AssertionError):
        check_gate()


def check_overdue() -> None:
    made = card(views(replace(at(285), now=NOW - 29 * MINUTE)), COURSE)
    assert made is not None and says(made, "due: Glucose: OVERDUE by 1 min")


def test_hz_16_overdue_by_a_minute() -> None:
    check_overdue()


def test_control_hz_16_with_a_clock_that_stands_nothing_is_overdue(monkeypatch: Patch) -> None:
    monkeypatch.setattr(due, "minutes_to", lambda instant, now: 60)
    with pytest.raises(AssertionError):
        check_overdue()


# The whole card ----------------------------------------------------------------------------------------------------------------------------


def shown(body: dict[str, Any]) -> str:
    first: dict[str, Any] = body["cards"][0]
    return f"# {first['summary']}\n\nIndicator: {first['indicator']}\n\n{first['detail']}\n"


def test_the_whole_card_is_as_it_was_read() -> None:
    """A person reads course_card.md; a change of words changes it."""
    assert shown(cards(at(285)).body) == SNAPSHOT.read_text()


@pytest.mark.parametrize("minute", [minute for minute, _ in STORY])
def test_the_course_is_the_first_card_and_stands_alone(minute: int) -> None:
    body = cards(at(minute)).body
    first = body["cards"][0]
    assert first["source"]["topic"]["code"] == COURSE
    assert len(first["summary"]) < 140
    # What it is, and a deciding number, in the first hundred characters.
    assert re.search(r"ketoacidosis.*(potassium|glucose) [\d.]+", first["summary"][:100], re.I)
    ranks = ["info", "warning", "critical"]
    assert all(ranks.index(each["indicator"]) <= ranks.index(first["indicator"]) for each in body["cards"][1:])


def test_words_from_outside_stay_text() -> None:
    held = chart(*RESULTS[:1], condition("sepsis", onset=60), order("meropenem", start=30, per_day="3", dose=("1000", "mg")), hook="patient-view")
    hostile = replace(held, conditions=tuple(replace(c, label="**sepsis** <b>") for c in held.conditions))
    detail = cards(hostile).body["cards"][0]["detail"]
    assert "**sepsis**" not in detail and "<b>" not in detail.replace("\\<", "")


def test_readiness_is_the_first_card_at_discharge() -> None:
    row = next(row for row in EVERY if row.name.endswith("SGLT2 inhibitor on the list after ketoacidosis"))
    first = cards(replace(row.chart(), hook="encounter-discharge")).body["cards"][0]
    assert (first["source"]["topic"]["code"], first["indicator"]) == (DISCHARGE, "critical")
    assert first["summary"][:100] == "Not yet by these criteria: empagliflozin is on the list after ketoacidosis"


def check_never_ready_over_a_gap(view: Overview | None) -> None:
    assert view is not None and "Ready" not in view.summary


def test_hz_07_never_ready_over_what_is_not_known() -> None:
    """Each single datum of a ready patient taken away: the card says not yet (missing is not normal)."""
    ready = next(row for row in EVERY if row.name.endswith("discharge: ready"))
    held = replace(ready.chart(), hook="encounter-discharge")
    assert isinstance(held.results, Given)
    whole = card(views(held), DISCHARGE)
    assert whole is not None and whole.summary.startswith("Ready")
    for gone in ("glucose", "potassium", "beta_hydroxybutyrate", "magnesium", "phosphate", "sodium", "weight"):
        less = Given(tuple(r for r in held.results.results if r.analyte != gone))
        check_never_ready_over_a_gap(card(views(replace(held, results=less)), DISCHARGE))


def test_control_hz_07_a_ready_card_over_a_gap_is_found() -> None:
    ready = next(row for row in EVERY if row.name.endswith("discharge: ready"))
    with pytest.raises(AssertionError):
        check_never_ready_over_a_gap(card(views(replace(ready.chart(), hook="encounter-discharge")), DISCHARGE))
