"""Reading only what a window can reach gives the same as reading all and looking at the window."""

from __future__ import annotations

import random
from typing import Any
from unittest import mock

import pytest

from cds.chart import newest_between
from cds.intake import results
from tests.intake.payloads import bundle, observation, read, request

FORMS = {
    "utc": lambda h, m: f"2026-03-13T{h:02d}:{m:02d}:00Z",
    "offset": lambda h, m: f"2026-03-13T{h:02d}:{m:02d}:30-05:00",
    "two offsets": lambda h, m: f"2026-03-13T{h:02d}:{m:02d}:00{'+01:00' if m % 2 else 'Z'}",
    "fractions": lambda h, m: f"2026-03-13T{h:02d}:{m:02d}:00.250Z",
    "some dates only": lambda h, m: "2026-03-13" if m % 7 == 0 else f"2026-03-13T{h:02d}:{m:02d}:00Z",
}


def _payload(form: str, seed: int) -> Any:
    r = random.Random(seed)
    sent = []
    for number in range(40):
        made = observation(id=f"k-{number}", effectiveDateTime=FORMS[form](r.randrange(24), r.randrange(60)))
        made["valueQuantity"] = {"value": round(r.uniform(2, 7), 1), "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L" if r.random() < 0.9 else "mg"}
        sent.append(made)
    return request(prefetch={"electrolytes": bundle(*sent)})


def _all_at_once(payload: Any) -> Any:
    """The results read without regard to the order of their times."""
    held = read(payload).chart.results
    with mock.patch.object(results, "_FEW", 1_000_000):
        held.of("potassium"), held.problems("potassium")
    return held


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", range(4))
def test_since_holds_all_that_is_as_new(form: str, seed: int) -> None:
    """For falling and rising floors, in any order: every result and every problem that is as new stands in it, newest first."""
    payload = _payload(form, seed)
    whole = _all_at_once(payload)
    every, wrong = whole.of("potassium"), whole.problems("potassium")
    assert every and wrong
    part = read(payload).chart.results
    floors = [every[place].at.latest for place in (5, 0, 20, len(every) - 1, 10)]
    for floor in floors:
        found = part.since("potassium", floor)
        assert [r for r in found if r.at.latest >= floor] == [r for r in every if r.at.latest >= floor]
        assert list(found) == sorted(found, key=lambda r: -r.at.latest)
        young = [p for p in wrong if p.at is None or p.at.latest >= floor]
        assert [p for p in part.problems_since("potassium", floor) if p.at is None or p.at.latest >= floor] == young
    assert part.of("potassium") == every and part.problems("potassium") == wrong


def test_old_results_are_not_read() -> None:
    """What is older than the floor is left as it was sent."""
    newest = read(_payload("utc", 1)).chart.results.of("potassium")[0]
    held = read(_payload("utc", 1)).chart.results
    held.since("potassium", newest.at.latest)
    assert 0 < held._lines["potassium"].used < 20


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", range(4))
def test_current_is_the_newest_of_all_in_the_window(form: str, seed: int) -> None:
    """For windows in any order, the same as looking through everything."""
    payload = _payload(form, seed)
    every = _all_at_once(payload).of("potassium")
    part = read(payload).chart.results
    edges = [every[place].at.latest + shift for place in (5, 0, 20, len(every) - 1, 10) for shift in (-1, 0, 1)]
    for now in edges:
        for floor in edges:
            assert part.current("potassium", floor, now) == newest_between(every, floor, now)
    assert part.of("potassium") == every


def test_only_the_newest_is_read_for_what_holds_now() -> None:
    newest = _all_at_once(_payload("utc", 1)).of("potassium")[0]
    held = read(_payload("utc", 1)).chart.results
    assert held.current("potassium", 0, newest.at.latest) == newest
    assert 0 < held._lines["potassium"].used < 10


class _OldestFirst(results._Line):
    """What a list would be whose times were not looked at."""

    def __init__(self, texts: Any, entries: Any, problems: Any) -> None:
        super().__init__(texts[::-1], entries[::-1], problems)


def test_control_results_in_another_order_go_red() -> None:
    payload = _payload("offset", 2)
    every = _all_at_once(payload).of("potassium")
    with mock.patch.object(results, "_Line", _OldestFirst):
        held = read(payload).chart.results
        assert held.since("potassium", every[10].at.latest)[:11] != every[:11]
        assert held.current("potassium", 0, every[0].at.latest) != every[0]
