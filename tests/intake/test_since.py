"""Reading only what a window can reach gives the same as reading all and looking at the window."""

from __future__ import annotations

import random
from typing import Any
from unittest import mock

import pytest

from cds.intake import results
from tests.intake.payloads import bundle, observation, read, request

LOCAL = results._local
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


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", range(4))
def test_since_holds_all_that_is_as_new(form: str, seed: int) -> None:
    """For falling and rising floors, in any order: every result and every problem that is as new stands in it, newest first."""
    payload = _payload(form, seed)
    whole = read(payload).chart.results
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
    assert 0 < len(held._outcomes) < 20


def test_control_a_floor_in_the_wrong_zone_goes_red() -> None:
    """With offsets ignored, results that are as new would be left out."""
    payload = _payload("offset", 2)
    every = read(payload).chart.results.of("potassium")
    with mock.patch.object(results, "_local", lambda instant, zone: LOCAL(instant, "Z")):
        found = read(payload).chart.results.since("potassium", every[10].at.latest)
    assert [r for r in found if r.at.latest >= every[10].at.latest] != [r for r in every if r.at.latest >= every[10].at.latest]
