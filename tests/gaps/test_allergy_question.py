"""Whether anybody asked about allergies is a question of its own, asked beside a beta-lactam and nowhere else (HZ-19)."""

from __future__ import annotations

import copy
from typing import Any
from unittest import mock

import pytest

from cds.intake import record_lists
from tests.synthetic.judging import body_of, judge, scenario

Json = Any
MEROPENEM, INSULIN = "16", "05"


def asked(number: str, allergies: Json) -> list[str]:
    """The summaries of cards that ask about allergies when the list of a scenario is replaced ("": it is not sent)."""
    request = copy.deepcopy(scenario(number))
    if allergies == "":
        del request["prefetch"]["allergies"]
    elif allergies is not None:
        request["prefetch"]["allergies"] = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": each} for each in allergies]}
    cards = body_of(judge(request))["cards"]
    return [card["summary"] for card in cards if "allerg" in card["summary"].lower()]


def entry(code: Json) -> Json:
    return {"resourceType": "AllergyIntolerance", "id": "a1", "patient": {"reference": "Patient/s16-patient"}, "code": code}


PEANUT = entry({"coding": [{"system": "http://snomed.info/sct", "code": "91935009", "display": "Allergy to peanut"}]})
WORDS = {
    "empty": ([], 'none recorded, nor "no known allergy"'),
    "not sent": ("", "was not sent"),
    "in words alone": ([entry({"text": "NKDA"})], 'none recorded, nor "no known allergy"'),
    "not understood": ([entry({"text": "white tablets"})], "only part"),
    "none known, as sent": (None, ""),
    "something else": ([PEANUT], ""),
}


@pytest.mark.parametrize("name", WORDS)
def test_hz_19_a_beta_lactam_asks_what_is_known(name: str) -> None:
    sent, words = WORDS[name]
    found = asked(MEROPENEM, sent)
    assert len(found) == (1 if words else 0) and all(words in summary for summary in found)


def test_hz_19_no_other_order_asks() -> None:
    assert asked(INSULIN, []) == []


def test_control_hz_19_were_an_empty_list_none_known_nobody_would_ask() -> None:
    with mock.patch.object(record_lists.RecordLists, "allergies_stated", mock.PropertyMock(return_value=True), create=True):
        assert asked(MEROPENEM, []) == []
