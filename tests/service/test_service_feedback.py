"""Feedback, and what is remembered of it (L-14, L-26, C-05, N-08, HZ-46)."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from cds.audit.memory import OverrideMemory
from cds.audit.record import Kind
from cds.audit.store import Ledger, Receipt
from cds.service.desk import now_ms
from tests.service.inside import Inside, card_with, codes, inside, new_uuid, results_of, scenario

CODE = "insulin-with-low-potassium"
HOUR = 3_600_000
Patch = pytest.MonkeyPatch


def reasons_of(running: Inside, code: str = CODE) -> dict[str, Any]:
    """What the newest record says of a rule."""
    import json

    rows = json.loads(running.records()[-1].parts["rules"])["rules"]
    found: dict[str, Any] = next(row for row in rows if row["code"] == code)
    return found


def overridden(running: Inside, request: dict[str, Any] | None = None) -> None:
    """The lead scenario is called, and its potassium card overridden."""
    answer = running.call(request or scenario())
    assert CODE in codes(answer)
    told = running.feedback(card_with(answer, CODE)["uuid"], overrideReason={"reason": {"code": "benefit-outweighs"}})
    assert told.status_code == 200


# Held back ---------------------------------------------------------------------------------------------------------------------------


def check_held_back(data: Path) -> None:
    with inside(data) as running:
        overridden(running)
        again = running.call(scenario())
        assert CODE not in codes(again)
        assert reasons_of(running)["outcome"] == "held_back"
        assert "carbapenem-with-valproate" in codes(again)


def test_c_05_an_overridden_card_is_held_back(tmp_path: Path) -> None:
    check_held_back(tmp_path)


def test_control_c_05_without_memory_it_speaks(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr(OverrideMemory, "read", lambda *_, **__: ())
    with pytest.raises(AssertionError):
        check_held_back(tmp_path)


def test_c_05_hz_46_a_card_that_was_only_returned_comes_again(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        first, second = running.call(scenario()), running.call(scenario())
    assert codes(first) == codes(second)


def test_c_05_an_accepted_card_comes_again(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        card = card_with(running.call(scenario()), CODE)
        taken = [{"id": card["suggestions"][0]["uuid"]}]
        assert running.feedback(card["uuid"], outcome="accepted", acceptedSuggestions=taken).status_code == 200
        assert CODE in codes(running.call(scenario()))


def newer_potassium(request: dict[str, Any]) -> None:
    result = deepcopy(next(r for r in results_of(request, "electrolytes", "potassium") if r["id"] == "s01-potassium-4"))
    result |= {"id": "s01-potassium-new", "effectiveDateTime": "2026-03-14T09:10:00+01:00", "issued": "2026-03-14T09:15:00+01:00"}
    result["identifier"] = [{"system": "https://laboratory.example/results", "value": "S01-POTASSIUM-NEW"}]
    result["valueQuantity"]["value"] = 3.0
    request["prefetch"]["electrolytes"]["entry"].insert(0, {"resource": result})


def other_user(request: dict[str, Any]) -> None:
    request["context"]["userId"] = "Practitioner/another"


def other_encounter(request: dict[str, Any]) -> None:
    request["context"]["encounterId"] = "another-encounter"


def other_draft(request: dict[str, Any]) -> None:
    for entry in request["context"]["draftOrders"]["entry"]:
        if "insulin" in str(entry["resource"]).lower():
            entry["resource"]["id"] = "another-insulin-order"


@pytest.mark.parametrize("change", [newer_potassium, other_user, other_encounter, other_draft])
def test_n_08_c_05_it_speaks_again_at_once(tmp_path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """A changed input or order, another user, another encounter: the override does not count."""
    with inside(tmp_path) as running:
        overridden(running)
        changed = scenario()
        change(changed)
        assert CODE in codes(running.call(changed))


@pytest.mark.parametrize(("later", "speaks"), [(HOUR, False), (2 * HOUR - 60_000, False), (2 * HOUR + 60_000, True), (24 * HOUR, True)])
def test_n_08_a_critical_card_comes_again_after_two_hours(tmp_path: Path, monkeypatch: Patch, later: int, speaks: bool) -> None:
    with inside(tmp_path) as running:
        overridden(running)
        for module in ("app", "desk"):
            monkeypatch.setattr(f"cds.service.{module}.now_ms", lambda: now_ms() + later)
        assert (CODE in codes(running.call(scenario()))) is speaks


def test_c_05_without_an_encounter_a_day_counts(tmp_path: Path, monkeypatch: Patch) -> None:
    request = scenario()
    del request["context"]["encounterId"]
    with inside(tmp_path) as running:
        overridden(running, request)
        assert CODE not in codes(running.call(request))
        monkeypatch.setattr("cds.service.app.now_ms", lambda: now_ms() + 25 * HOUR)
        assert CODE in codes(running.call(request))


def test_l_26_another_worker_knows_at_once(tmp_path: Path) -> None:
    with inside(tmp_path) as first, inside(tmp_path) as second:
        assert (first.desk.ledger.stream, second.desk.ledger.stream) == ("00", "01")
        answer = first.call(scenario())
        second.feedback(card_with(answer, CODE)["uuid"])
        (told,) = second.records(Kind.FEEDBACK)
        assert told.header["facts"]["matched"] is True
        assert CODE not in codes(first.call(scenario()))
        assert CODE not in codes(second.call(scenario()))


def test_hz_32_a_memory_that_cannot_be_read_holds_nothing_back(tmp_path: Path, monkeypatch: Patch) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise sqlite3.DatabaseError("file is not a database")

    with inside(tmp_path) as running:
        overridden(running)
        monkeypatch.setattr(OverrideMemory, "read", broken)
        assert CODE in codes(running.call(scenario()))


# Matched or not ----------------------------------------------------------------------------------------------------------------------


def test_l_14_feedback_on_an_unknown_card_is_recorded_as_unmatched(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        assert running.feedback(new_uuid()).status_code == 200
        assert running.feedback("not-a-uuid").status_code == 200
        facts = [row.header["facts"] for row in running.records(Kind.FEEDBACK)]
    assert [(each["matched"], each["effective"]) for each in facts] == [(False, False), (False, False)]


def test_l_14_feedback_from_another_tenant_has_no_effect(tmp_path: Path) -> None:
    with inside(tmp_path, tenant="north") as north, inside(tmp_path, tenant="south") as south:
        answer = north.call(scenario())
        south.feedback(card_with(answer, CODE)["uuid"])
        (told,) = south.records(Kind.FEEDBACK)
        assert (told.header["facts"]["matched"], told.header["facts"]["effective"]) == (True, False)
        assert CODE in codes(north.call(scenario()))


@pytest.mark.parametrize(
    ("body", "path"),
    [
        (b"[", ""),
        (b"{}", "feedback"),
        (b'{"feedback": []}', "feedback"),
        (b'{"feedback": [{}]}', "feedback[0].card"),
        (b'{"feedback": [{"card": "x", "outcome": "liked"}]}', "feedback[0].outcome"),
        (b'{"feedback": [{"card": "x", "outcome": "overridden", "outcomeTimestamp": "now"}]}', "feedback[0].outcomeTimestamp"),
        (b'{"feedback": [{"card": "x", "outcome": "accepted", "outcomeTimestamp": "2026-03-14T08:25:00Z"}]}', "feedback[0].acceptedSuggestions"),
    ],
)
def test_bad_feedback_is_refused_with_its_path_and_recorded(tmp_path: Path, body: bytes, path: str) -> None:
    with inside(tmp_path) as running:
        answer = running.request("POST", "/cds-services/trivet-order-sign/feedback", content=body, headers={"content-type": "application/json"})
        (record,) = running.records()
    assert answer.status_code == 400
    assert answer.json()["issue"][0].get("expression", [""]) == [path]
    assert record.header["outcome"] == "feedback-refused"


def check_lost_feedback(data: Path, patch: Patch) -> None:
    with inside(data) as running:
        card = running.call(scenario()).json()["cards"][0]["uuid"]
        with patch.context() as broken:
            broken.setattr(Ledger, "append_sync", lambda ledger, _: Receipt("lost", ledger.stream))
            assert running.feedback(card).status_code == 503


def test_feedback_that_cannot_be_recorded_is_503(tmp_path: Path, monkeypatch: Patch) -> None:
    check_lost_feedback(tmp_path, monkeypatch)


def test_control_feedback_taken_for_recorded_is_seen(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.service.desk.Desk.feedback", lambda *_: None)
    with pytest.raises(AssertionError):
        check_lost_feedback(tmp_path, monkeypatch)
