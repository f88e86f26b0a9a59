"""Whose resource it is (F-43, HZ-01), and one bad resource among good ones (HZ-07)."""

from __future__ import annotations

import json
import random
from typing import Any
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds.chart import Feed, Patient, Trouble
from cds.intake import subjects
from cds.intake.subjects import Whose
from cds.vocabulary import ANALYTES
from tests.intake.payloads import OTHER, OURS, PATIENT, bundle, condition, draft, observation, order, read, request, results


@pytest.mark.parametrize(
    ("reference", "whose"),
    [
        ("Patient/p1", "ours"),
        ("https://ehr.example/fhir/Patient/p1", "ours"),
        ("Patient/p1/_history/3", "ours"),
        ("Patient/p2", "other"),
        ("Patient/p11", "other"),
        ("Patient/P1", "other"),
        ("https://ehr.example/Patient/p1/fhir/Patient/p2", "other"),
        ("Group/p1", "other"),
        ("p1", "other"),
        ("Patient/p1?x=Patient/p1", "other"),
        ("#patient", "nobody"),
        ("urn:uuid:4b1c", "nobody"),
        ("", "nobody"),
    ],
)
def test_hz_01_every_subject_is_compared(reference: str, whose: str) -> None:
    from cds.intake.shapes import Reference

    assert subjects.Subjects("p1").whose(Reference(reference)) is Whose(whose)


def test_hz_01_another_patients_result_is_counted_named_and_never_used() -> None:
    chart = read(request(prefetch={"electrolytes": bundle(observation(subject=OTHER, id="secret-9"))})).chart
    (problem,) = chart.results.problems("potassium")
    assert chart.results.of("potassium") == () and chart.other_patient_items == 1
    assert problem.trouble is Trouble.OTHER_PATIENT and "secret" not in repr(problem)


def test_control_hz_01_without_the_subject_check_the_foreign_value_reaches_the_chart() -> None:
    with mock.patch.object(subjects.Subjects, "_compare", lambda self, text: Whose.OURS), pytest.raises(AssertionError):
        assert results(observation(subject=OTHER))[0] == ()


def test_a_result_that_names_no_patient_is_set_aside() -> None:
    found, problems = results(observation(subject=...))
    assert found == () and problems[0].trouble is Trouble.NO_SUBJECT


def test_a_draft_that_names_no_patient_is_taken_as_this_patients_and_named() -> None:
    (taken,) = read(request([draft(subject=...)])).chart.orders
    assert [each.trouble for each in taken.problems] == [Trouble.NO_SUBJECT]


def test_a_listed_order_that_names_no_patient_is_set_aside_and_the_list_is_not_whole() -> None:
    chart = read(request(prefetch={"medications": bundle(order(subject=...))})).chart
    assert chart.orders == () and chart.problems[0].trouble is Trouble.NO_SUBJECT
    assert chart.source("medications").feed is Feed.PARTIAL


@pytest.mark.parametrize("what", ["draft", "order", "condition", "given"])
def test_hz_01_orders_and_conditions_of_another_patient_are_set_aside(what: str) -> None:
    given_drug = {"resourceType": "MedicationAdministration", "id": "g", "status": "completed", "subject": OTHER}
    sent = {
        "draft": request([draft(subject=OTHER)]),
        "order": request(prefetch={"medications": bundle(order(subject=OTHER))}),
        "condition": request(prefetch={"conditions": bundle(condition(subject=OTHER))}),
        "given": request(prefetch={"administrations": bundle(given_drug)}),
    }[what]
    chart = read(sent).chart
    assert not (chart.orders or chart.conditions or chart.administrations)
    assert chart.other_patient_items == 1 and [each.trouble for each in chart.problems] == [Trouble.OTHER_PATIENT]
    assert "secret" not in repr(chart.problems)


def test_ch_55_a_prefetched_patient_who_is_someone_else_is_not_read() -> None:
    chart = read(request(prefetch={"patient": {**PATIENT, "id": "p2", "gender": "male"}})).chart
    assert chart.patient == Patient() and chart.other_patient_items == 1
    assert chart.source("patient").feed is not Feed.WHOLE


def foreign_mix(seed: int) -> tuple[dict[str, Any], int]:
    """A request of 30 results of which a random part is another patient's, in every way of writing it; theirs are all 9.9."""
    source = random.Random(seed)
    sent, others = [], 0
    for number in range(30):
        other = source.random() < 0.4
        others += other
        wrong = source.choice(["Patient/p2", "https://x.example/fhir/Patient/p2", "Patient/p1x", "Group/p1", "Patient/p2/_history/1"])
        subject = {"reference": wrong} if other else OURS
        sent.append(observation(9.9 if other else 3.1, code=source.choice(["2823-3", "6298-4"]), id=f"o{number}", subject=subject))
    return request(prefetch={"electrolytes": bundle(*sent)}), others


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**32))
def test_hz_01_no_foreign_value_in_random_mixtures(seed: int) -> None:
    sent, others = foreign_mix(seed)
    chart = read(sent).chart
    assert chart.other_patient_items == others
    assert all(str(each.value.exact) != "9.9" for each in chart.results.of("potassium"))


def without(resource: dict[str, Any], *members: str) -> dict[str, Any]:
    return {key: value for key, value in resource.items() if key not in members}


BAD: list[Any] = [
    None, 3, "text", [], {}, {"resourceType": 3}, {"resourceType": "Observation"}, {"resourceType": "Nope"}, {"id": "x"},
    observation(status=...), without(observation(), "code"), {**observation(), "code": {"coding": "K"}}, observation(valueQuantity="3.2"), observation(id=5),
    observation(subject="Patient/p1"), observation(component=[{}]), observation(effectiveDateTime=20261125), {**condition(), "code": 7}, order(status=...),
    order(dosageInstruction={"text": "x"}), order(intent=None), {"resourceType": "OperationOutcome", "issue": 3},
]  # fmt: skip


@pytest.mark.parametrize("bad", BAD, ids=range(len(BAD)))
@pytest.mark.parametrize("key", ["electrolytes", "medications", "conditions"])
def test_hz_07_a_bad_resource_never_hides_a_good_one(bad: Any, key: str) -> None:
    sent = request(
        [draft()], {"electrolytes": bundle(observation()), "medications": bundle(order()), "conditions": bundle(condition())}
    )
    sent["prefetch"][key]["entry"].insert(0, {"resource": bad})
    chart = read(sent).chart
    assert len(chart.results.of("potassium")) == 1 and len(chart.orders) == 2 and len(chart.conditions) == 1


@pytest.mark.parametrize("bad", [observation(status=...), observation(valueQuantity="3.2"), without(observation(), "code", "status")])
def test_hz_07_a_resource_that_cannot_be_decoded_is_named_with_what_it_could_have_been(bad: dict[str, Any]) -> None:
    chart = read(request(prefetch={"electrolytes": bundle(observation(id="good", code="2951-2", value=139), bad)})).chart
    (problem,) = chart.results.problems("potassium")
    assert problem.trouble is Trouble.STRUCTURE and problem.path == "prefetch.electrolytes.entry[1].resource"
    without_code = "code" not in bad
    assert len(chart.results.problems("sodium")) == without_code and len(chart.results.of("sodium")) == 1


def test_a_decoding_problem_of_another_patient_says_nothing_of_them() -> None:
    bad = observation(status=..., subject=OTHER, id="secret-9")
    found = read(request(prefetch={"electrolytes": bundle(bad)}))
    assert found.chart.other_patient_items == 1 and "secret" not in repr(found.problems())


@pytest.mark.parametrize(
    ("bad", "feed"),
    [
        (condition(subject=...), Feed.PARTIAL),
        (condition(clinicalStatus={"coding": [{"code": "perhaps"}]}), Feed.PARTIAL),
        (condition("1", subject=...), Feed.WHOLE),
        ({**condition(subject=...), "code": {"text": "seizure"}}, Feed.PARTIAL),
        ({**condition(id=7), "code": {"text": "seizure"}}, Feed.PARTIAL),
        (condition(id=7), Feed.PARTIAL),
    ],
)
def test_a_list_of_conditions_is_whole_only_without_doubt(bad: dict[str, Any], feed: Feed) -> None:
    chart = read(request(prefetch={"conditions": bundle(bad)})).chart
    assert chart.source("conditions").feed is feed and chart.problems[0].item == "conditions"


def test_a_refused_draft_is_named_and_the_orders_are_not_whole() -> None:
    chart = read(request([draft(), draft(id="d2", status=...)], {"medications": bundle(order())})).chart
    assert len(chart.orders) == 2 and chart.problems[0].path == "context.draftOrders.entry[1].resource"
    assert chart.source("medications").feed is Feed.PARTIAL


def test_every_problem_item_is_one_that_rules_ask_for() -> None:
    payload = json.loads(json.dumps(request([draft()], {"electrolytes": bundle(*BAD), "medications": bundle(*BAD), "conditions": bundle(*BAD)})))
    for problem in read(payload).problems():
        assert problem.item in ANALYTES or problem.item in ("", "patient", "conditions", "medications", "administrations")
        assert problem.path and problem.message
