"""What became of each list: whole, in part, not sent, failed (CH-22 to CH-29, HZ-07, HZ-14, F-39)."""

from __future__ import annotations

from typing import Any
from unittest import mock

import pytest

from cds.chart import Feed
from cds.intake import ITEM_KEYS, PREFETCH, feeds
from cds.intake.prefetch import ANALYTE_GROUPS, PAGE
from cds.vocabulary import ANALYTES, LOINC, codes_of
from tests.intake.payloads import MINUTE, NOW, PATIENT, at, bundle, condition, observation, order, read, request

NEXT = {"link": [{"relation": "self", "url": "x"}, {"relation": "next", "url": "y"}]}
OUTCOME = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "exception"}]}
HINT = {"resourceType": "OperationOutcome", "issue": [{"severity": "information", "code": "informational"}]}


def feed(sent: Any, key: str = "electrolytes") -> Any:
    return read(request(prefetch={key: sent})).chart.source(key)


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (None, Feed.WHOLE),
        (bundle(), Feed.WHOLE),
        ({"resourceType": "Bundle", "type": "searchset", "total": 0}, Feed.WHOLE),
        (bundle(observation()), Feed.WHOLE),
        (bundle(observation(), total=1), Feed.WHOLE),
        (bundle(observation(), HINT), Feed.WHOLE),
        (observation(), Feed.WHOLE),
        ({"response": "200 OK", "resource": bundle(observation())}, Feed.WHOLE),
        (bundle(observation(), total=30), Feed.PARTIAL),
        (bundle(observation(), **NEXT), Feed.PARTIAL),
        (bundle(observation(), OUTCOME), Feed.PARTIAL),
        (bundle(observation(), None), Feed.PARTIAL),
        ({"resourceType": "Bundle", "entry": [{"resource": observation()}, {"fullUrl": "x"}]}, Feed.PARTIAL),
        ({"resourceType": "Bundle", "entry": [{"resource": observation()}, 7]}, Feed.PARTIAL),
        ({"resourceType": "Bundle", "total": "1", "entry": [{"resource": observation()}]}, Feed.PARTIAL),
        (OUTCOME, Feed.FAILED),
        (HINT, Feed.FAILED),
        (bundle(OUTCOME), Feed.FAILED),
        ({"response": "404 Not Found", "resource": OUTCOME}, Feed.FAILED),
        ({"response": "500", "resource": bundle()}, Feed.FAILED),
        ("<html>Proxy error</html>", Feed.FAILED),
        (404, Feed.FAILED),
        ([], Feed.FAILED),
        ({}, Feed.FAILED),
        ({"resourceType": "Nope"}, Feed.FAILED),
        ({"resourceType": "Bundle", "entry": "x"}, Feed.FAILED),
        ({"resource": {"resource": bundle()}}, Feed.FAILED),
    ],
    ids=range(27),
)
def test_hz_07_states_of_a_list(sent: Any, expected: Feed) -> None:
    found = feed(sent)
    assert found.feed is expected
    assert found.detail or expected is Feed.WHOLE


def test_hz_07_a_key_that_was_not_sent_is_absent() -> None:
    chart = read(request()).chart
    assert {key: chart.source(key).feed for key in PREFETCH} == {key: Feed.WHOLE if key == "patient" else Feed.ABSENT for key in PREFETCH}


def test_control_hz_07_taking_an_outcome_for_an_empty_list_would_read_failed_as_none() -> None:
    with mock.patch.object(feeds, "listing", lambda key, sent, **more: feeds.Listing(key, Feed.WHOLE)):
        from cds.intake import reader as module

        with mock.patch.object(module, "listing", feeds.listing), pytest.raises(AssertionError):
            assert feed(OUTCOME).feed is Feed.FAILED


def test_the_entries_of_a_partial_list_are_read() -> None:
    for sent in (bundle(observation(), OUTCOME), {"resourceType": "Bundle", "total": "1", "entry": [{"resource": observation()}]}):
        assert len(read(request(prefetch={"electrolytes": sent})).chart.results.of("potassium")) == 1


def test_ch_29_unknown_keys_are_ignored_and_noted() -> None:
    plain = read(request(prefetch={"electrolytes": bundle(observation())}))
    found = read(request(prefetch={"electrolytes": bundle(observation()), "zz-unasked": bundle(observation(9.9, id="o7"))}))
    assert found.chart.results.of("potassium") == plain.chart.results.of("potassium") and found.notes.ignored_keys == ("zz-unasked",)


def page(*minutes: float, **more: Any) -> Any:
    entries = [observation(id=f"o{number}", effectiveDateTime=at(each)) for number, each in enumerate(minutes)]
    return feed(bundle(*entries, **{**NEXT, **more}))


def test_hz_14_a_page_that_is_verifiably_newest_first_covers_back_to_its_oldest_entry() -> None:
    found = page(10, 30, 60)
    assert found.newest_first_until == NOW - 60 * MINUTE
    assert found.covers(NOW - 59 * MINUTE) and not found.covers(NOW - 60 * MINUTE) and not found.covers(NOW - 61 * MINUTE)


@pytest.mark.parametrize("minutes", [(60, 30, 10), (10, 60, 30), (10,), (10, 10), ()])
def test_hz_14_any_other_page_covers_nothing(minutes: tuple[float, ...]) -> None:
    assert page(*minutes).newest_first_until is None


@pytest.mark.parametrize(
    "odd",
    [
        observation(id="odd", effectiveDateTime="2026-11-25"),
        observation(id="odd", effectiveDateTime=..., issued=at(40)),
        observation(id="odd", effectiveDateTime=..., effectivePeriod={"start": at(40), "end": at(40)}),
        observation(id="odd", effectiveDateTime="?"),
        observation(id="odd", status=...),
        condition(),
    ],
    ids=range(6),
)
def test_hz_14_an_entry_whose_time_is_not_one_instant_spoils_the_proof(odd: Any) -> None:
    entries = [observation(id="a", effectiveDateTime=at(10)), odd, observation(id="b", effectiveDateTime=at(60))]
    assert feed(bundle(*entries, **NEXT)).newest_first_until is None


def test_hz_14_a_list_of_orders_that_was_cut_is_never_complete() -> None:
    found = feed(bundle(order(), **NEXT), "medications")
    assert found.feed is Feed.PARTIAL and not found.covers(NOW)


def test_hz_14_a_full_page_without_a_total_may_have_been_cut() -> None:
    many = [observation(id=f"o{each}", effectiveDateTime=at(each)) for each in range(1, PAGE["electrolytes"] + 1)]
    assert feed(bundle(*many)).feed is Feed.PARTIAL
    assert feed(bundle(*many[:-1])).feed is Feed.WHOLE
    assert feed(bundle(*many, total=len(many))).feed is Feed.WHOLE


def test_control_hz_14_without_looking_at_the_link_a_page_would_pass_for_the_list() -> None:
    original = feeds._bundle

    def blind(key: str, sent: Any, wrapped: bool) -> Any:
        found = original(key, sent, wrapped)
        found.paged = False
        return found

    with mock.patch.object(feeds, "_bundle", blind), pytest.raises(AssertionError):
        assert page(10, 30).feed is Feed.PARTIAL


def test_what_the_service_fetched_replaces_what_was_sent() -> None:
    import json

    from cds.intake import IntakeSettings, read_request

    body = json.dumps(request(prefetch={"electrolytes": OUTCOME})).encode()
    found = read_request(
        body, now=NOW, settings=IntakeSettings("order-sign"), fetched={"electrolytes": json.dumps(bundle(observation())).encode(), "renal": b"<html>"}
    ).chart
    assert len(found.results.of("potassium")) == 1 and found.source("electrolytes").feed is Feed.WHOLE
    assert found.source("renal").feed is Feed.FAILED


def test_a_patient_in_a_bundle_or_a_wrapper_is_read() -> None:
    for sent in (PATIENT, bundle(PATIENT), {"response": "200", "resource": PATIENT}):
        assert read(request(prefetch={"patient": sent})).chart.patient.sex == "female"


def test_every_analyte_comes_from_exactly_one_announced_key_and_every_code_is_asked_for() -> None:
    assert {name for names in ANALYTE_GROUPS.values() for name in names} == set(ANALYTES)
    assert len([name for names in ANALYTE_GROUPS.values() for name in names]) == len(ANALYTES)
    for name in ANALYTES:
        (key,) = ITEM_KEYS[name]
        for system, code in codes_of(name):
            assert system == LOINC and f"{LOINC}|{code}" in PREFETCH[key]


def test_ch_17_to_20_templates_are_relative_searches_in_the_simple_subset() -> None:
    for key, template in PREFETCH.items():
        assert not template.startswith(("/", "http")) and template.count("{{") == template.count("}}") == 1
        assert "{{context.patientId}}" in template
        assert key == "patient" or "?" in template
