"""Whatever fhir.resources (R4B) refuses on a member that is read, reading refuses or names too, or it is on the list below.

That is what makes it safe to validate only drafts and cited evidence in full. Resources are mutated at random.
"""

from __future__ import annotations

import copy
import json
import random
import re
from collections.abc import Iterator
from typing import Any
from unittest import mock

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cds.intake import Count, validate, validation
from tests.intake.payloads import IV, LOINC, SNOMED, at, bundle, condition, draft, observation, quantity, read, request
from tests.intake.test_order_parsing import medication, referring

TOLERATED = [
    # what the validator says (path: reason), and why reading may go on
    (r".*: Extra inputs are not permitted", "an unknown member beside known ones does not change them; extensions have a form of their own"),
    (r".*\.id: string (too short|pattern mismatch)", "an id is only a name here"),
    (r".*: string pattern mismatch", "an empty or padded text is no code of ours, and is read as not known or not sent"),
    (r".*(DateTime|Date|start|end|issued|authoredOn|event\.\d+): value error", "an empty time counts as not sent; one without a zone is read as a span (F-5)"),
    (r"Observation\.issued: .*", "with a time of sampling the issue time decides nothing"),
    (r".*\.meta\..*", "tells versions apart, and does not when it is not readable"),
    (r".*note\.\d+\.text: .*missing", "a note without text says nothing"),
    (r".*note\.\d+: .*", "a note without text says nothing"),
]
VALUES: list[Any] = [
    None, True, False, 0, -1, 3, 3.5, 1e30, "", "x", " ", "3.2", "2026-11-25", "2026-11-25T09:00:00", "2026-11-25T09:00:00Z", "2026-11",
    "final", "active", [], {}, [None], [{}], ["x"], [3], {"x": 1}, {"value": 3}, {"text": "x"}, {"coding": []}, {"coding": [{}]},
    {"coding": [{"code": "x"}]}, {"reference": "Patient/p1"}, "a b", "ééé", {"value": "3"}, [[]],
]  # fmt: skip

OBSERVATION = observation(
    identifier=[{"system": "urn:x", "value": "1"}], meta={"lastUpdated": at(1), "versionId": "1"}, issued=at(3), note=[{"text": "n"}],
    interpretation=[{"coding": [{"system": "u", "code": "L"}], "text": "low"}], method={"text": "m"}, specimen={"display": "s", "reference": "Specimen/1"},
)  # fmt: skip
PANEL = observation(
    code="85354-9",
    valueQuantity=...,
    component=[{"code": {"coding": [{"system": LOINC, "code": "8480-6"}]}, "valueQuantity": quantity(110, "mm[Hg]")}],
)
TIMING = {"event": [at(3)], "repeat": {"boundsPeriod": {"start": at(3), "end": at(1)}, "frequency": 1, "period": 8, "periodUnit": "h", "duration": 30, "durationUnit": "min"}}
ORDER = draft(
    category=[{"text": "x"}], reasonCode=[{"coding": [{"system": SNOMED, "code": "91175000"}]}], basedOn=[{"reference": "CarePlan/1"}],
    groupIdentifier={"value": "1"}, identifier=[{"value": "2"}], note=[{"text": "n"}], priorPrescription={"reference": "MedicationRequest/0"},
    doNotPerform=False, reportedBoolean=False,
    dosageInstruction=[{
        "text": "t", "timing": TIMING, "route": IV, "asNeededBoolean": False,
        "doseAndRate": [{"doseQuantity": quantity(3, "mg"), "rateRatio": {"numerator": quantity(3, "mg"), "denominator": quantity(3, "min")}}],
    }],
)  # fmt: skip
CONDITION = condition(category=[{"text": "x"}], onsetDateTime=at(3), recordedDate=at(1), abatementDateTime=at(0), encounter={"reference": "Encounter/e1"})
BASES = [OBSERVATION, PANEL, ORDER, referring(contained=[medication()]), CONDITION]


def paths(value: Any, here: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield here
    for key, each in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield from paths(each, (*here, key))


def mutated(seed: int) -> dict[str, Any]:
    source = random.Random(seed)
    found: dict[str, Any] = copy.deepcopy(source.choice(BASES))
    for _ in range(source.choice([1, 1, 2])):
        *parents, last = source.choice([path for path in paths(found) if path and path[0] != "resourceType"])
        target: Any = found
        for each in parents:
            target = target[each]
        if source.random() < 0.15:
            del target[last]
        else:
            target[last] = copy.deepcopy(source.choice(VALUES))
    return found


def used_without_a_word(resource: dict[str, Any]) -> bool:
    if resource["resourceType"] == "Observation":
        found = read(request(prefetch={"electrolytes": bundle(resource)}))
        return not found.problems() and any(found.chart.results.of(name) for name in ("potassium", "systolic"))
    if resource["resourceType"] == "Condition":
        chart = read(request(prefetch={"conditions": bundle(resource)})).chart
        return bool(chart.conditions) and not chart.problems
    chart = read(request([resource])).chart
    return bool(chart.orders) and not chart.problems and not chart.orders[0].problems


def not_on_the_list(resource: dict[str, Any]) -> list[str]:
    errors = validate(json.dumps(resource).encode(), resource["resourceType"])
    left = [each for each in errors if not any(re.fullmatch(pattern, each) for pattern, _ in TOLERATED)]
    return left if left and used_without_a_word(resource) else []


@settings(max_examples=500, deadline=None)
@given(st.integers(0, 2**40))
@example(1)
def test_what_the_validator_refuses_is_refused_or_on_the_list(seed: int) -> None:
    assert not_on_the_list(mutated(seed)) == []


def test_the_bases_are_valid_and_used() -> None:
    for base in BASES:
        assert validate(json.dumps(base).encode(), base["resourceType"]) == () and used_without_a_word(base)


def test_control_a_reader_that_takes_text_for_numbers_is_found_out() -> None:
    from cds.intake import measures, values

    original = values.number_of

    def lenient(raw: Any) -> Any:
        from msgspec import Raw

        return original(Raw(bytes(raw).strip(b'"')))

    bad = draft(dosageInstruction=[{"doseAndRate": [{"doseQuantity": quantity("x", "mg")}]}])
    assert not_on_the_list(bad) == []
    with mock.patch.object(measures, "number_of", lambda raw: original(raw) or original(type(raw)(b"3"))), pytest.raises(AssertionError):
        assert not_on_the_list(bad) == []
    with mock.patch.object(values, "number_of", lenient), pytest.raises(AssertionError):
        # fhir.resources itself accepts "3.2" as a number: the closed rule is ours.
        assert not used_without_a_word(observation(valueQuantity=quantity("3.2")))


@pytest.mark.parametrize(
    ("raw", "kind"),
    [
        (b"", "Observation"), (b"[]", "Observation"), (b"{", "Patient"), (b'{"resourceType":"Patient"}', "Observation"), (b"\xff", "Patient"),
        (b"[" * 100_000, "Observation"), (b'{"resourceType":"Nope"}', "Nope"), (b'{"resourceType":"Observation"}', "Observation"),
        (b'{"resourceType":"MedicationRequest","status":"draft","intent":"order","subject":{},"contained":[{"resourceType":"Nope"}]}', "MedicationRequest"),
        (json.dumps(draft(contained=[3])).encode(), "MedicationRequest"),
    ],
    ids=range(10),
)  # fmt: skip
def test_validation_never_raises(raw: bytes, kind: str) -> None:
    assert validate(raw, kind)


def test_validation_says_path_and_reason_and_no_value() -> None:
    sent = draft(status=..., subject={"reference": 7, "display": "secret name"}, dosageInstruction=[{"text": "secret", "timing": "secret text"}])
    errors = validate(json.dumps(sent).encode(), "MedicationRequest")
    assert errors and all(each.startswith("MedicationRequest") and ": " in each and "secret" not in each for each in errors)


def test_an_r5_order_is_refused_by_the_r4b_classes() -> None:
    sent = draft(medicationCodeableConcept=..., medication={"concept": {"text": "x"}})
    assert validate(json.dumps(sent).encode(), "MedicationRequest")


def test_g10_calls_are_counted() -> None:
    count = Count()
    found = read(request([draft(), draft(id="d2", status=...)], {"electrolytes": bundle(observation(), observation(status=...))}))
    assert count.calls == 0 and found.notes.refused == ("context.draftOrders.entry[1].resource", "prefetch.electrolytes.entry[1].resource")
    for path in (*found.notes.refused, *(each.raw_key for each in found.chart.orders)):
        raw = found.raw.get(path)
        assert raw is not None
        validate(raw, json.loads(raw)["resourceType"], count)
    assert count.calls == 3


def test_reading_alone_validates_nothing() -> None:
    with mock.patch.object(validation, "_class", side_effect=AssertionError("validated")):
        found = read(request([draft()], {"electrolytes": bundle(observation())}))
        assert found.chart.results.of("potassium") and found.chart.orders
