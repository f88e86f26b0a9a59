"""What is certain without asking (cds.intake.plain_fhir), fhir.resources never refuses: asked about resources that are mutated at random."""

from __future__ import annotations

import copy
import json
import random
from functools import cache
from typing import Any

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cds.intake import plain_fhir, surely_valid, validate
from tests.benchmarks.fixture import request
from tests.intake.payloads import draft, observation, quantity
from tests.intake.test_against_validator import BASES, VALUES, paths
from tests.synthetic.judging import FOLDERS, request_of

TEXTS = ["a  b", " a", "a ", "a\n", "\x01", "a\x0b", "é", "\ud800", "a" * 65, "x.y-z", "x_y", "2026-02-29", "2024-02-29", "2026-04-31", "2026-11-25T24:00:00Z",
         "2026-11-25T09:00:60Z", "2026-11-25T09:00:00+14:30", "2026-11-25T09:00Z", "1900", "2000-13", "0000-01-01", "2026-11-25T09:00:00.1234567Z", "#m", "0"]  # fmt: skip
NUMBERS: list[Any] = [0, -3, 3.25, 1e-7, 1e300, 2**70, 2**31, True, "3", 0.5]


@cache
def sent() -> list[dict[str, Any]]:
    """Every draft, order, result and condition of the scenarios, and those that the other tests begin with."""
    found = list(BASES)
    for folder in FOLDERS:
        whole = request_of(folder)
        for listed in (whole["context"].get("draftOrders"), *whole["prefetch"].values()):
            found += [entry["resource"] for entry in (listed or {}).get("entry", ())]
    return found


def mutated(seed: int) -> dict[str, Any]:
    """One of them with one or two members changed, taken away, doubled or put elsewhere."""
    source = random.Random(seed)
    made: dict[str, Any] = copy.deepcopy(source.choice(sent()))
    for _ in range(source.choice([1, 1, 2])):
        every = [path for path in paths(made) if path and path[0] != "resourceType"]
        *parents, last = source.choice(every)
        target: Any = made
        for each in parents:
            target = target[each]
        kind = source.randrange(6)
        if kind == 0:
            del target[last]
        elif kind == 1 and isinstance(target, dict):
            name = source.choice([path[-1] for path in every if isinstance(path[-1], str)])
            target[name] = copy.deepcopy(target[last])
        elif kind == 2 and isinstance(target, list):
            target.append(copy.deepcopy(target[last]))
        else:
            target[last] = copy.deepcopy(source.choice([*VALUES, *TEXTS, *NUMBERS]))
    return made


def certain_and_refused(resource: dict[str, Any]) -> tuple[str, ...]:
    """What fhir.resources has against a resource that is certain; must be nothing."""
    raw, kind = json.dumps(resource).encode(), resource.get("resourceType", "")
    return validate(raw, kind) if surely_valid(raw, kind) else ()


@settings(max_examples=500, deadline=None)
@given(st.integers(0, 2**40))
@example(1)
def test_what_is_certain_is_never_refused(seed: int) -> None:
    assert certain_and_refused(mutated(seed)) == ()


def test_control_a_looser_list_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    class Observation(msgspec.Struct, tag="Observation", tag_field="resourceType"):
        status: str

    wrong = [observation(status="a  b "), observation(issued="2026-02-29T09:00:00Z"), observation(valueQuantity={"value": "x"})]
    assert [certain_and_refused(each) for each in wrong] == [(), (), ()]
    monkeypatch.setattr(plain_fhir, "_DECODER", msgspec.json.Decoder(Observation))
    assert all(certain_and_refused(each) for each in wrong)


def test_nearly_everything_that_is_sent_is_certain() -> None:
    asked = [each for each in sent() if each["resourceType"] in ("MedicationRequest", "Observation", "Condition")]
    assert sum(surely_valid(json.dumps(each).encode(), each["resourceType"]) for each in asked) > 0.95 * len(asked)
    drafts = json.loads(request(100))["context"]["draftOrders"]["entry"]
    assert all(surely_valid(json.dumps(entry["resource"]).encode(), "MedicationRequest") for entry in drafts)


@pytest.mark.parametrize(
    ("raw", "kind"),
    [
        (b"", "Observation"), (b"[]", "Observation"), (b"{", "Condition"), (b"\xff", "Condition"), (b"[" * 100_000, "Observation"), (b"{}", "Patient"),
        (json.dumps(draft()).encode(), "Observation"), (json.dumps(draft(medicationReference={"reference": "#m"})).encode(), "MedicationRequest"),
        (json.dumps(observation(valueQuantity=quantity(3))).replace("3,", "1e-99999999999999999999,").encode(), "Observation"),
        (json.dumps(observation()).encode("utf-16"), "Observation"),
        (json.dumps(draft(contained=[{"id": "m", "code": {"text": "x"}}])).encode(), "MedicationRequest"),
    ],
    ids=range(11),
)  # fmt: skip
def test_what_is_not_plain_is_left_to_the_validator(raw: bytes, kind: str) -> None:
    assert not surely_valid(raw, kind)
