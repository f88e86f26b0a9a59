"""The invariants that HL7 publishes with CDS Hooks (logical models of HL7/cds-hooks, 3.0.0-ballot), over every answer and over feedback.

Written out here a second time, apart from the clause checks, in the words of the invariants: cds-resp-1 to -7, cds-fb-1 to -3.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cds.intake import RequestError
from cds.service.feedback import read_feedback
from tests.synthetic.judging import FOLDERS, body_of, every_scenario, judge, request_of

Json = dict[str, Any]


def broken(body: Json) -> Iterator[str]:
    """The invariants that an answer breaks."""
    for card in body["cards"]:
        suggestions = card.get("suggestions", [])
        if card.get("selectionBehavior") == "at-most-one" and sum(s.get("isRecommended") is True for s in suggestions) > 1:
            yield "cds-resp-1"
        if suggestions and "selectionBehavior" not in card:
            yield "cds-resp-6"
        for link in card.get("links", []):
            if "appContext" in link and link["type"] != "smart":
                yield "cds-resp-3"
        for reason in card.get("overrideReasons", []):
            if not reason.get("display"):
                yield "cds-resp-4"
        for suggestion in suggestions:
            if suggestion.get("actionSelectionBehavior") not in (None, "all", "any", "at-most-one"):
                yield "cds-resp-7"
            for action in suggestion.get("actions", []):
                if not action.get("description"):
                    yield "cds-resp-5"
                if action["type"] == "delete" and ("resourceId" not in action or "resource" in action):
                    yield "cds-resp-2"


@every_scenario
def test_answer_breaks_no_invariant(folder: Path) -> None:
    assert list(broken(body_of(judge(request_of(folder))))) == []


def lead() -> Json:
    body = body_of(judge(request_of(FOLDERS[0])))
    card = body["cards"][0]
    assert len(card["suggestions"]) >= 2 and card["suggestions"][0]["actions"][0]["type"] == "delete"
    return body


@pytest.mark.parametrize(
    ("name", "path", "value"),
    [
        ("cds-resp-2", ("suggestions", 0, "actions", 0, "resource"), {"resourceType": "MedicationRequest"}),
        ("cds-resp-3", ("links",), [{"label": "x", "url": "https://a.example", "type": "absolute", "appContext": "y"}]),
        ("cds-resp-4", ("overrideReasons",), [{"code": "x", "system": "https://a.example"}]),
        ("cds-resp-5", ("suggestions", 0, "actions", 0, "description"), None),
        ("cds-resp-6", ("selectionBehavior",), None),
        ("cds-resp-7", ("suggestions", 0, "actionSelectionBehavior"), "one"),
    ],
)
def test_control_a_broken_invariant_is_noticed(name: str, path: tuple[str | int, ...], value: Any) -> None:
    body = lead()
    holder: Any = body["cards"][0]
    for step in path[:-1]:
        holder = holder[step]
    if value is None:
        del holder[path[-1]]
    else:
        holder[path[-1]] = value
    assert set(broken(body)) == {name}


def test_control_two_recommendations_are_noticed() -> None:
    body = lead()
    card = body["cards"][0]
    card["selectionBehavior"] = "at-most-one"
    for suggestion in card["suggestions"][:2]:
        suggestion["isRecommended"] = True
    assert set(broken(body)) == {"cds-resp-1"}


CARD = "00000000-0000-4000-8000-00000000000a"
ACCEPTED: Json = {"card": CARD, "outcome": "accepted", "acceptedSuggestions": [{"id": CARD}], "outcomeTimestamp": "2026-03-14T08:25:00Z"}
OVERRIDDEN: Json = {"card": CARD, "outcome": "overridden", "outcomeTimestamp": "2026-03-14T08:25:00Z"}
REASON: Json = {"code": "x", "system": "https://a.example"}


def sent(item: Json) -> bytes:
    return json.dumps({"feedback": [item]}).encode()


@pytest.mark.parametrize(
    "item",
    [ACCEPTED, OVERRIDDEN, {**OVERRIDDEN, "overrideReason": {"reason": REASON}}, {**OVERRIDDEN, "overrideReason": {"userComment": "seen"}}],
    ids=["accepted", "overridden", "with a reason", "with a comment"],
)
def test_feedback_that_keeps_the_invariants_is_taken(item: Json) -> None:
    assert read_feedback(sent(item)) == [item]


@pytest.mark.parametrize(
    ("invariant", "item"),
    [
        ("cds-fb-1", {**OVERRIDDEN, "outcome": "ignored"}),
        ("cds-fb-2", {key: value for key, value in ACCEPTED.items() if key != "acceptedSuggestions"}),
        ("cds-fb-2", {**ACCEPTED, "acceptedSuggestions": []}),
        ("cds-fb-3", {**OVERRIDDEN, "overrideReason": {}}),
    ],
)
def test_feedback_that_breaks_an_invariant_is_refused(invariant: str, item: Json) -> None:
    with pytest.raises(RequestError) as refused:
        read_feedback(sent(item))
    assert refused.value.status == 400, invariant
