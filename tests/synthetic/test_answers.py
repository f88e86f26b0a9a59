"""What the service answers to every scenario: what a specialist fixed by hand before (expected.json), and the whole answer as it was kept.

expected.json never follows the code. Where the two differ, one of them is clinically wrong, and a person decides which.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from cds.call import Answer
from tests.conformance import checks
from tests.synthetic import snapshots
from tests.synthetic.judging import FOLDERS, body_of, drafts_of, every_scenario, expectation_of, judge, request_of, resources_of

LEAD = FOLDERS[0]


def entries_of(card: dict[str, Any]) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = card["extension"]["example.trivet.advisories"]
    return entries


def against_expectation(made: Answer, expected: dict[str, Any]) -> list[str]:
    """Every way in which an answer is not what the specialist expects; empty when it is."""
    faults: list[str] = []
    body = body_of(made)
    carried = {entry["code"]: entry["indicator"] for card in body["cards"] for entry in entries_of(card)}
    for code, indicator in expected["advisories"].items():
        if carried.get(code) != indicator:
            faults.append(f"{code}: expected {indicator}, got {carried.get(code)}")
    faults += [f"{code}: must be absent, is {carried[code]}" for code in expected["absent"] if code in carried]
    faults += [f"{code}: on a card but nowhere in the expectation" for code in carried if code not in expected["advisories"] and code not in expected["absent"]]
    above = [card for card in body["cards"] if card["indicator"] != "info"]
    at_most = expected.get("above_info_at_most", 4)
    if len(above) > at_most:
        faults.append(f"{len(above)} cards above info, at most {at_most} are wanted: {[card['summary'] for card in above]}")
    for wanted in expected["cards"]:
        faults += _against_card(above, wanted)
    lines = {entry["code"] for card in body["cards"] if card["indicator"] == "info" for entry in entries_of(card)}
    faults += [f"{code}: no line on a card that does not interrupt" for code in expected.get("folded", []) if code not in lines]
    text = made.body.decode()
    faults += [f"{words!r} stands nowhere in the answer" for words in expected.get("accounted", []) if words not in text]
    faults += [f"{words!r} is shown" for words in expected.get("never_shown", []) if words in text]
    return faults


def _against_card(above: list[dict[str, Any]], wanted: dict[str, Any]) -> list[str]:
    codes = {wanted["lead"], *wanted["with"]}
    found = [card for card in above if codes & {entry["code"] for entry in entries_of(card)}]
    if wanted["problem"] in ("what could not be judged", "blood gas"):
        # Both are section E. At order hooks they may stand on one card (section E, Order).
        found = found[:1]
    if len(found) != 1:
        return [f"{wanted['problem']}: {len(found)} cards carry {sorted(codes)}"]
    card, faults = found[0], []
    roles = {entry["code"]: entry["role"] for entry in entries_of(card)}
    shared = wanted["problem"] in ("what could not be judged", "blood gas")
    if roles.get(wanted["lead"]) != "lead" and not shared:
        faults.append(f"{wanted['problem']}: led by {card['source']['topic']['code']}, not by {wanted['lead']}")
    if missing := codes - set(roles):
        faults.append(f"{wanted['problem']}: {sorted(missing)} stand on another card")
    if card["indicator"] != wanted["indicator"]:
        faults.append(f"{wanted['problem']}: {card['indicator']}, not {wanted['indicator']}")
    # A summary must stand alone in its first 100 characters (HZ-30); a card shared by both parts of section E names the worst.
    summary = card["summary"][:100] if not shared else card["summary"] + card["detail"]
    faults += [f"{wanted['problem']}: {words!r} not in {summary!r}" for words in wanted["summary_contains"] if words not in summary]
    return faults


@every_scenario
def test_answer_is_what_the_specialist_expects(folder: Path) -> None:
    assert against_expectation(judge(request_of(folder)), expectation_of(folder)) == []


@every_scenario
def test_hz_52_whole_answer_is_as_kept(folder: Path) -> None:
    now = snapshots.snapshot(folder)
    if now != snapshots.kept(folder):
        pytest.fail(snapshots.difference(snapshots.kept(folder), now, folder.name) + "\n\nmeant? python -m tests.synthetic.snapshots --write")


@every_scenario
def test_cards_keep_to_the_standard(folder: Path) -> None:
    request = request_of(folder)
    body = body_of(judge(request))
    assert checks.check_response(body, request["context"]["patientId"]) == []
    assert checks.leaks(json.dumps(body).encode()) == []


@every_scenario
def test_suggestions_name_orders_of_the_request(folder: Path) -> None:
    """A deletion names a draft; an update carries a draft, or a running order as it was received, with only its status changed (F-40)."""
    request = request_of(folder)
    drafts = {f"{entry['resource']['resourceType']}/{entry['resource']['id']}" for entry in drafts_of(request)}
    every = {f"{r['resourceType']}/{r['id']}": r for r in resources_of(request) if "id" in r}
    for card in body_of(judge(request))["cards"]:
        for suggestion in card.get("suggestions", []):
            for action in suggestion["actions"]:
                if action["type"] == "delete":
                    assert action["resourceId"] in drafts
                elif action["type"] == "update":
                    resource = action["resource"]
                    assert every[f"{resource['resourceType']}/{resource['id']}"]["subject"] == resource["subject"]
                else:
                    assert "id" not in action["resource"]


def test_hz_35_lead_scenario_stays_within_its_budget() -> None:
    cards = body_of(judge(request_of(LEAD)))["cards"]
    above = [card for card in cards if card["indicator"] != "info"]
    assert len(above) <= 4
    about = [card for card in above if {"insulin", "potassium"} & set(card["summary"].lower().replace(":", " ").split())]
    assert len(about) == 1


@every_scenario
def test_hz_44_same_request_gives_the_same_bytes(folder: Path) -> None:
    request = request_of(folder)
    assert judge(request).body == judge(request).body


@every_scenario
def test_hz_01_no_foreign_identifier_in_an_answer(folder: Path) -> None:
    """Every reference of an answer is to this patient, or to a resource of this patient that was sent."""
    request = request_of(folder)
    mine = request["context"]["patientId"]
    text = judge(request).body.decode()
    for resource in resources_of(request):
        subject = resource.get("subject", {}).get("reference", f"Patient/{mine}")
        if subject != f"Patient/{mine}":
            assert resource["id"] not in text and subject.split("/")[1] not in text


def test_control_a_lost_advisory_is_noticed() -> None:
    made = judge(request_of(LEAD))
    body = body_of(made)
    body["cards"] = body["cards"][1:]
    broken = Answer(made.status, json.dumps(body).encode(), made.outcome, made.now)
    assert any("insulin-with-low-potassium" in fault for fault in against_expectation(broken, expectation_of(LEAD)))


def test_control_a_foreign_value_is_noticed() -> None:
    """With the subject check off, the other patient's potassium reaches the answer, and the expectation of scenario 10 fails."""
    folder = FOLDERS[9]
    from cds.intake.subjects import Subjects, Whose

    with patch.object(Subjects, "whose", lambda self, subject: Whose.OURS):
        made = judge(request_of(folder))
    assert against_expectation(made, expectation_of(folder)) != []


def test_control_hz_52_a_changed_word_is_noticed() -> None:
    kept = snapshots.kept(LEAD)
    assert kept
    assert "+" in snapshots.difference(kept, kept.replace("potassium", "calcium", 1), "lead")
