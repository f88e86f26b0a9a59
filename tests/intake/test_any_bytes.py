"""Whatever the bytes: a chart or a RequestError, never another exception, and always the same for the same bytes."""

from __future__ import annotations

import copy
import json
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds.intake import Intake, RequestError
from cds.vocabulary import ANALYTES
from tests.intake.payloads import bundle, condition, draft, observation, order, read, request
from tests.intake.test_against_validator import BASES, VALUES, mutated, paths
from tests.intake.test_allergies import allergy, reaction
from tests.intake.test_cultures import grown, of_drug, report
from tests.intake.test_order_parsing import given as administration
from tests.intake.test_records import ordered, procedure

ALLERGY = allergy({"text": "Penicillin"}, reaction("271807003", "rash", severity="mild"), criticality="low", category=["medication"])

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


def whole() -> dict[str, Any]:
    lists = {
        "electrolytes": bundle(observation(), observation(4.4, id="o2"), BASES[1]),
        "medications": bundle(order(), BASES[3]["contained"][0]),
        "administrations": bundle(administration()),
        "conditions": bundle(condition()),
        "allergies": bundle(ALLERGY),
        "procedures": bundle(procedure()),
        "investigations": bundle(ordered()),
        "cultures": bundle(grown(value="Escherichia coli", hasMember=[{"reference": "Observation/t1"}]), of_drug(), report("No growth")),
        "renal": None,
    }
    found: dict[str, Any] = json.loads(json.dumps(request([draft(), BASES[3]], lists, hook="order-select")))
    return found


def everything(body: Any) -> Intake | None:
    try:
        found = read(body, allow_client_time=True)
    except RequestError as error:
        assert error.status == 400 and error.message
        return None
    for name in ANALYTES:
        assert isinstance(found.chart.results.of(name), tuple)
    found.problems()
    return found


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(body: bytes) -> None:
    everything(body)


@settings(max_examples=250, deadline=None)
@given(st.integers(0, 2**40), JSON)
def test_any_member_replaced_by_anything(seed: int, value: Any) -> None:
    source = random.Random(seed)
    payload = whole()
    for _ in range(source.choice([1, 1, 3])):
        *parents, last = source.choice([path for path in paths(payload) if path])
        target: Any = payload
        for each in parents:
            target = target[each]
        target[last] = copy.deepcopy(value if source.random() < 0.5 else source.choice(VALUES))
    everything(payload)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**40))
def test_any_byte_changed(seed: int) -> None:
    source = random.Random(seed)
    body = bytearray(json.dumps(whole()).encode())
    for _ in range(source.choice([1, 2, 5])):
        where = source.randrange(len(body))
        if source.random() < 0.3:
            del body[where : where + source.randrange(1, 40)]
        else:
            body[where] = source.choice(b'"{}[],:0x\\\xff\x00e-\xc3')
    from cds.intake import IntakeSettings, read_request
    from tests.intake.payloads import NOW

    try:
        found = read_request(bytes(body), now=NOW, settings=IntakeSettings("order-select"))
    except RequestError:
        return
    found.problems()


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 2**40), min_size=1, max_size=5))
def test_bad_resources_never_hide_the_good_ones(seeds: list[int]) -> None:
    good = observation(2.9, id="good")
    payload = request([draft()], {"electrolytes": bundle(*(mutated(each) | {"id": f"x{each}"} for each in seeds), good)})
    found = everything(payload)
    assert found is not None and "Observation/good" in [each.ref for each in found.chart.results.of("potassium")]


@pytest.mark.parametrize("value", ["1e999999", "-1e999999", "1" * 5000, "0." + "1" * 5000, "1E400", "-0", "1e-400"])
def test_extreme_numbers(value: str) -> None:
    body = json.dumps(whole()).replace("3.1", value).replace(" 6,", f" {value},").encode()
    from cds.intake import IntakeSettings, read_request
    from tests.intake.payloads import NOW

    found = read_request(body, now=NOW, settings=IntakeSettings("order-select"))
    found.problems()
    assert not [each for each in found.chart.results.of("potassium") if each.ref == "Observation/o1"]


def test_text_that_is_not_utf_8_costs_one_resource_only() -> None:
    body = json.dumps(request([draft()], {"electrolytes": bundle(observation(id="bad", status="fin#al"), observation())})).encode().replace(b"#", b"\xff")
    found = read(body)
    assert len(found.chart.results.of("potassium")) == 1 and "not UTF-8" in found.chart.results.problems("potassium")[0].message


def test_the_same_bytes_give_the_same_chart() -> None:
    one, two = everything(whole()), everything(whole())
    assert one is not None and two is not None
    assert (one.envelope, one.notes, one.chart.orders, one.chart.conditions, one.problems()) == (
        two.envelope, two.notes, two.chart.orders, two.chart.conditions, two.problems()
    )  # fmt: skip
    assert all(one.chart.results.of(name) == two.chart.results.of(name) for name in ANALYTES)


def test_reading_order_of_analytes_does_not_matter() -> None:
    one, two = read(whole()).chart.results, read(whole()).chart.results
    first = [one.of(name) for name in ANALYTES]
    assert [two.of(name) for name in reversed(ANALYTES)] == first[::-1]
