"""The patient and the conditions: statuses, spans of birth, ends (HZ-17, HZ-20)."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import Any
from unittest import mock

import pytest

from cds.chart import Condition, Feed, Trouble
from cds.intake import people
from tests.intake.payloads import MINUTE, NOW, PATIENT, at, bundle, condition, read, request


def conditions(*sent: Any) -> tuple[Condition, ...]:
    return read(request(prefetch={"conditions": bundle(*sent)})).chart.conditions


def status(code: str) -> dict[str, Any]:
    return {"coding": [{"code": code}]}


@pytest.mark.parametrize(
    ("clinical", "verification"), list(itertools.product([None, *sorted(people.CLINICAL)], [None, *sorted(people.VERIFICATION)]))
)
def test_hz_20_all_pairs_of_status(clinical: str | None, verification: str | None) -> None:
    (found,) = conditions(
        condition(
            clinicalStatus=status(clinical) if clinical else ...,
            verificationStatus=status(verification) if verification else ...,
        )
    )
    assert (found.clinical, found.verification) == (clinical or "", verification or "")
    stands = verification not in ("refuted", "entered-in-error")
    assert found.stands is stands
    assert found.active is (stands and clinical in (None, "active", "recurrence", "relapse"))


@pytest.mark.parametrize("bad", [{"clinicalStatus": status("maybe")}, {"verificationStatus": {"text": "sure"}}, {"clinicalStatus": {}}])
def test_hz_20_a_status_that_fhir_does_not_know_is_set_aside(bad: dict[str, Any]) -> None:
    chart = read(request(prefetch={"conditions": bundle(condition(**bad))})).chart
    assert chart.conditions == () and chart.problems[0].trouble is Trouble.STATUS


def test_control_hz_20_without_the_closed_list_an_unknown_status_would_count_as_active() -> None:
    with mock.patch.object(people, "_status", lambda *given: ""), pytest.raises(AssertionError):
        assert conditions(condition(clinicalStatus=status("maybe"))) == ()


@pytest.mark.parametrize(
    ("change", "ended"),
    [
        ({"abatementDateTime": at(60)}, True),
        ({"abatementDateTime": "2025"}, True),
        ({"abatementDateTime": at(-600)}, False),
        ({"abatementString": "long ago"}, True),
        ({"abatementPeriod": {"start": at(60)}}, True),
        ({"abatementBoolean": True}, True),
        ({"abatementBoolean": False}, False),
        ({}, False),
    ],
)
def test_hz_20_an_end_that_has_come_ends_the_condition(change: dict[str, Any], ended: bool) -> None:
    (found,) = conditions(condition(**change))
    assert (found.abatement is not None) is ended and found.active is not ended


def test_hz_20_an_end_that_is_not_readable_leaves_the_list_in_doubt() -> None:
    chart = read(request(prefetch={"conditions": bundle(condition(abatementDateTime="?"))})).chart
    assert chart.conditions == () and chart.problems[0].trouble is Trouble.TIME_UNREADABLE and chart.source("conditions").feed is Feed.PARTIAL


def test_an_onset_that_is_not_readable_is_named() -> None:
    chart = read(request(prefetch={"conditions": bundle(condition(onsetDateTime="?"))})).chart
    assert chart.conditions[0].onset is None and chart.problems[0].trouble is Trouble.TIME_UNREADABLE


def test_onset_recorded_and_reason_of_the_encounter() -> None:
    category = [{"coding": [{"code": "encounter-diagnosis"}]}]
    (found,) = conditions(condition(onsetDateTime=at(30), recordedDate="2026-11-24", category=category, encounter={"reference": "Encounter/e1"}))
    assert found.onset is not None and found.onset.latest == NOW - 30 * MINUTE
    assert found.recorded is not None and not found.recorded.exact and found.encounter_reason
    (other,) = conditions(condition(category=category, encounter={"reference": "Encounter/e2"}))
    assert not other.encounter_reason


def test_a_diagnosis_that_no_rule_reads_stands_in_the_chart() -> None:
    (found,) = conditions(condition("38341003", id="c2"))
    assert found.concepts == () and found.label == "seizure"


def test_the_newest_version_of_a_condition_stands() -> None:
    old, new = condition(meta={"lastUpdated": at(20)}), condition(meta={"lastUpdated": at(10)}, clinicalStatus=status("resolved"))
    for sent in ((old, new), (new, old)):
        (found,) = conditions(*sent)
        assert found.clinical == "resolved"


@pytest.mark.parametrize(
    ("born", "youngest", "oldest"),
    [("1964-09-02", 62, 62), ("1964-11-25", 62, 62), ("1964-11-26", 61, 61), ("1964-11", 61, 62), ("1964", 61, 62), ("2026-11-25", 0, 0)],
)
def test_hz_17_age_in_years_is_a_span(born: str, youngest: int, oldest: int) -> None:
    chart = read(request(prefetch={"patient": {**PATIENT, "birthDate": born}})).chart
    assert chart.age_years() == (youngest, oldest)


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"birthDate": "64"}, Trouble.TIME_UNREADABLE),
        ({"birthDate": "2030-01-01"}, Trouble.FUTURE),
        ({"gender": "F"}, Trouble.NOT_UNDERSTOOD),
        ({"deceasedBoolean": False, "deceasedDateTime": at(60)}, Trouble.STRUCTURE),
        ({"modifierExtension": [{"url": "urn:x"}]}, Trouble.MODIFIER),
    ],
)
def test_hz_17_what_cannot_be_read_of_a_patient_is_left_out_and_named(change: dict[str, Any], trouble: Trouble) -> None:
    chart = read(request(prefetch={"patient": {**PATIENT, **change}})).chart
    assert [each.trouble for each in chart.problems] == [trouble] and chart.problems[0].item == "patient"
    assert "birthDate" not in change or (chart.patient.born is None and chart.patient.sex == "female")


def test_death_and_extensions() -> None:
    extended = {**PATIENT, "_birthDate": {"extension": [{"url": "x", "valueDateTime": at(0)}]}, "deceasedDateTime": at(10)}  # CH-52
    chart = read(request(prefetch={"patient": extended})).chart
    assert chart.patient.deceased and chart.patient.born == (dt.date(1964, 9, 2), dt.date(1964, 9, 2))
