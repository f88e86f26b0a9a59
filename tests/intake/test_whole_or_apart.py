"""A request decoded in one pass reads the same as one of which every resource is decoded alone."""

from __future__ import annotations

import copy
import json
import random
from typing import Any
from unittest import mock

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from cds.intake import IntakeSettings, RequestError, envelope, feeds, read_request, reader
from cds.intake import request as request_module
from tests.intake.payloads import NOW, at, bundle, draft, observation, order, quantity, read, request
from tests.intake.test_against_validator import BASES, VALUES, mutated, paths
from tests.intake.test_any_bytes import whole


class _Never:
    def decode(self, raw: Any) -> Any:
        raise ValueError


def seen(body: bytes, hook: Any, *, apart: bool) -> Any:
    """Everything that is read from a request, for comparison."""
    given = IntakeSettings(hook if isinstance(hook, str) else "order-select")
    try:
        if apart:
            with (
                mock.patch.object(request_module, "open_and_read", envelope.open_request),
                mock.patch.object(feeds, "READ_BUNDLE", _Never()),
            ):
                found = read_request(body, now=NOW, settings=given)
        else:
            found = read_request(body, now=NOW, settings=given)
    except RequestError as error:
        return error.message, error.expression
    chart, results = found.chart, found.chart.results
    refs = [f"prefetch.{key}.entry[{number}].resource" for key in chart.sources for number in range(3)]
    return (
        found.envelope, found.notes, found.drafted_tests, chart.patient, chart.conditions, chart.orders, chart.administrations, chart.problems,
        chart.allergies, chart.procedures, chart.investigations, chart.cultures, chart.susceptibilities,
        chart.other_patient_items, dict(chart.sources), {name: (results.of(name), results.problems(name)) for name in results.analytes()},
        [found.raw.get(each) for each in (*refs, "Observation/o1", "MedicationRequest/m1")],
    )  # fmt: skip


def same(payload: Any) -> bool:
    body, hook = json.dumps(payload).encode(), payload["hook"]
    return bool(seen(body, hook, apart=False) == seen(body, hook, apart=True))


@settings(max_examples=150, deadline=None)
@drawn(st.integers(0, 2**40))
def test_one_pass_reads_what_two_read(seed: int) -> None:
    source = random.Random(seed)
    payload = whole()
    payload["prefetch"]["vitals"] = bundle(*(BASES[1] | {"id": f"v{number}"} for number in range(3)))
    payload["prefetch"]["electrolytes"]["entry"] += [{"resource": mutated(source.randrange(2**40))} for _ in range(source.choice([0, 1, 2]))]
    payload = json.loads(json.dumps(payload))
    for _ in range(source.choice([0, 1, 1, 2])):
        *parents, last = source.choice([path for path in paths(payload) if path and path != ("hook",)])
        target: Any = payload
        for each in parents:
            target = target[each]
        target[last] = copy.deepcopy(source.choice(VALUES))
    assert same(payload)


BAD_CODES: list[Any] = [None, 3, "2823-3", [], {"coding": 3}, {"coding": [3]}, {"coding": [{"code": 3}]}, {"text": 3}]


@pytest.mark.parametrize("code", BAD_CODES, ids=json.dumps)
def test_a_code_that_cannot_be_decoded_costs_its_own_resource_only(code: Any) -> None:
    payload = request([draft()], {"electrolytes": bundle(observation(2.9, id="good"), observation(id="bad") | {"code": code}, total=9)})
    found = read(payload)
    assert same(payload) and found.notes.refused == ("prefetch.electrolytes.entry[1].resource",)
    assert [each.ref for each in found.chart.results.of("potassium")] == ["Observation/good"]
    assert "code" in found.chart.results.problems("potassium")[0].message


def test_control_a_broken_code_that_is_passed_over_is_found_out() -> None:
    payload = request([draft()], {"electrolytes": bundle(observation(), observation(id="bad") | {"code": {"coding": [3]}})})
    assert same(payload)
    with mock.patch.object(reader.Reader, "_broken", lambda *_: None), pytest.raises(AssertionError):
        assert same(payload)


def test_faults_in_several_lists_and_foreign_keys() -> None:
    bad = observation(id="bad", status=...)
    lists = {"electrolytes": bundle(observation(), bad), "renal": bundle(bad), "glucose": bundle(bad), "vitals": bundle(BASES[1]), "foreign": {}}
    for keys in (["electrolytes"], ["electrolytes", "renal"], ["electrolytes", "renal", "glucose", "vitals"], [*lists]):
        payload = request([draft()], {key: lists[key] for key in keys} | {"medications": bundle(order())})
        assert same(payload) and len(read(payload).notes.refused) == sum(key not in ("vitals", "foreign") for key in keys)


def test_the_panels_of_a_list_keep_their_parts() -> None:
    panels = [BASES[1] | {"id": f"p{number}", "effectiveDateTime": at(number)} for number in range(4)]
    parts = panels[3]["component"] + [{"code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]}, "valueQuantity": quantity(70, "mm[Hg]")}]
    payload = request([draft()], {"vitals": bundle(*panels[:3], panels[3] | {"component": parts})})
    results = read(payload).chart.results
    assert same(payload) and (len(results.of("systolic")), len(results.of("diastolic"))) == (4, 1)


@pytest.mark.parametrize("count", [1, 40])
def test_the_zone_that_all_times_share_is_found_among_few_and_many(count: int) -> None:
    zones = [f"+0{number // 10}:{number % 10}0"[:6] for number in range(count)]
    sent = [observation(id=f"z{number}", effectiveDateTime=f"2026-11-25T04:00:0{number % 10}{zone}") for number, zone in enumerate(zones)]
    payload = request([draft()], {"electrolytes": bundle(*sent, observation(id="local", effectiveDateTime="2026-11-25T06:00:00"))})
    local = next(each for each in read(payload).chart.results.of("potassium") if each.ref == "Observation/local")
    assert local.at.exact == (count == 1)


def test_a_junk_time_with_a_zone_does_not_set_the_zone() -> None:
    sent = [observation(id="a", effectiveDateTime="2026-11-25T04:00:00+01:00"), observation(id="b", issued="2026-99-25T04:00:00+05:00")]
    local = observation(id="local", effectiveDateTime="2026-11-25T06:00:00")
    # The junk is no time; `b` was drawn in UTC, so that two zones are left, and none without `b`.
    for taken, exact in ((sent, False), (sent[:1], True), ([sent[0], sent[1] | {"effectiveDateTime": at(9).replace("Z", "+01:00")}], True)):
        found = read(request([], {"electrolytes": bundle(*taken, local)})).chart.results.of("potassium")
        assert next(each for each in found if each.ref == "Observation/local").at.exact == exact
