"""Suggestions hold in patients whom no single rule has in mind: every offered order is put on the chart, and every advisory is judged again (HZ-37, HZ-38).

The service asks only the advisories that an order may set off; here all of them are asked, so that the shortcut is checked too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from cds import candidates
from cds.advisory import Assessment, rank
from cds.assess import assess
from cds.candidates import Change, offers
from cds.chart import NO_MEMORY, Chart
from tests.charts import allergy, chart, condition, culture, insulin, order, potassium_bag, result, susceptibility
from tests.logic.shipped import SCENARIOS, chart_of
from tests.topics.table import knowledge

SICK: tuple[Any, ...] = (
    result("potassium", "2.9", age=20), result("magnesium", "0.6", age=20), result("creatinine", "310", age=200), result("creatinine", "300", age=1600),
    result("height", "165", "cm", age=600), result("glucose", "14", age=20), result("beta_hydroxybutyrate", "5.2", age=20), result("ph", "7.14", age=20),
    result("bicarbonate", "9", age=20), result("sodium", "136", age=20), result("chloride", "100", age=20), result("heart_rate", "118", age=10),
    result("systolic", "88", age=10), result("respiratory_rate", "28", age=10), result("spo2", "95", age=10), result("gcs", "12", age=10),
    result("lactate", "3.1", age=20), condition("epilepsy"), condition("diabetes"), condition("pregnancy"), condition("seizure", onset=25),
    allergy("penicillin", "severe immediate"), order("valproate", route="oral", dose=("500", "mg"), per_day="2", start=9000),
)  # fmt: skip
# A seizure, ketoacidosis with a low potassium, an allergy to penicillin, pregnancy and failing kidneys at once; and what is about to be signed.
DRAFTS: dict[str, tuple[Any, ...]] = {
    "insulin": (insulin("6.6", drafted=True),),
    "insulin and meropenem": (insulin("6.6", drafted=True), order("meropenem", drafted=True, dose=("2000", "mg"), per_day="3")),
    "piperacillin-tazobactam in septic shock": (
        condition("septic_shock", onset=70), order("piperacillin", "tazobactam", drafted=True, dose=("4000", "mg"), per_day="4"),
    ),
    "ciprofloxacin, resistant": (
        culture("blood", "positive"), susceptibility("ciprofloxacin", "R", "blood"), order("ciprofloxacin", drafted=True, dose=("400", "mg"), per_day="2"),
    ),
    "phenytoin": (order("phenytoin", drafted=True, dose=("1320", "mg"), minutes="20"),),
    "lorazepam, too little": (order("lorazepam", drafted=True, dose=("1", "mg"), minutes="2"),),
    "potassium fast": (potassium_bag("40", hours="1", drafted=True), insulin("6.6", start=200)),
    "imipenem": (order("imipenem", drafted=True, dose=("1000", "mg"), per_day="4"),),
}  # fmt: skip


def offered(held: Chart) -> tuple[Assessment, list[Change]]:
    """What was found on a chart, and every order that is offered for it."""
    found = assess(held, NO_MEMORY, knowledge())
    made = offers(held, found, knowledge())
    return found, [change for changes in made.by_problem.values() for change in changes if change.order is not None]


def raised(held: Chart, before: Assessment, change: Change) -> list[str]:
    """Codes that stand higher about the offered order than before, once it is on the chart; its own advisory included."""
    new = change.order
    assert new is not None
    others = tuple(one for one in held.orders if one.ref != new.ref)
    after = assess(replace(held, orders=(*others, new)), NO_MEMORY, knowledge())
    worst: dict[str, int] = {}
    for verdict in before.verdicts:
        for finding in verdict.findings:
            if finding.order in (None, new.ref):
                worst[finding.code] = max(worst.get(finding.code, 0), rank(finding.indicator))
    return [
        f"{change.label}: {finding.code} {finding.indicator}"
        for verdict in after.verdicts for finding in verdict.findings
        if finding.order in (None, new.ref) and rank(finding.indicator) > worst.get(finding.code, 0)
    ]  # fmt: skip


@pytest.mark.parametrize("name", DRAFTS)
@pytest.mark.parametrize("hook", ["order-sign", "order-select"])
def test_hz_37_hz_38_what_is_offered_survives_every_rule_in_a_patient_with_everything(name: str, hook: str) -> None:
    held = chart(*SICK, *DRAFTS[name], years=28, weight="66", hook=hook)
    before, made = offered(held)
    assert [fault for change in made for fault in raised(held, before, change)] == []


def test_something_is_offered_to_that_patient() -> None:
    """The test above is about something: orders are offered in most of these charts."""
    made = [name for name, drafts in DRAFTS.items() if offered(chart(*SICK, *drafts, years=28, weight="66", hook="order-sign"))[1]]
    assert len(made) >= 4


@pytest.mark.parametrize("name", SCENARIOS)
def test_hz_37_what_is_offered_in_a_scenario_survives_every_rule(name: str) -> None:
    held = chart_of(name)
    before, made = offered(held)
    assert [fault for change in made for fault in raised(held, before, change)] == []


def test_control_hz_37_without_judging_them_some_would_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates, "_objection", lambda *_: "")
    found = []
    for name in SCENARIOS:
        held = chart_of(name)
        before, made = offered(held)
        found += [fault for change in made for fault in raised(held, before, change)]
    assert found


FORBIDDEN = (
    order("phenytoin", drafted=True, dose=("1320", "mg"), minutes="10"), result("heart_rate", "45", age=10), result("glucose", "6", age=20),
    condition("seizure", onset=20),
)  # fmt: skip


def test_hz_37_no_slower_form_of_what_the_heart_forbids_is_offered() -> None:
    held = chart(*FORBIDDEN, weight="66", hook="order-sign")
    found = assess(held, NO_MEMORY, knowledge())
    made = offers(held, found, knowledge())
    kinds = [change.kind for changes in made.by_problem.values() for change in changes]
    assert "amend" not in kinds and "withdraw" in kinds
    assert any("asm-cardiac-contraindication" in each.reason for each in made.dropped)


def test_control_hz_37_with_a_sound_heart_the_slower_form_is_offered() -> None:
    sound = (FORBIDDEN[0], result("heart_rate", "80", age=10), *FORBIDDEN[2:])
    held = chart(*sound, weight="66", hook="order-sign")
    made = offers(held, assess(held, NO_MEMORY, knowledge()), knowledge())
    assert "amend" in [change.kind for changes in made.by_problem.values() for change in changes]
