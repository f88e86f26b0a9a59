"""The service's own failures are said, cost nobody else, and tell nothing of the patient (HZ-01, HZ-32, AU-32)."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

import cds.assess
import cds.call
from tests.service.inside import JSON, codes, inside, scenario

SECRET = "MARKERsmith-90210334455"
FIRING = (
    "insulin-with-low-potassium", "potassium-replacement-missing", "dka-criteria-met", "sglt2-inhibitor-in-ketoacidosis", "carbapenem-with-valproate",
    "seizure-threshold-lowering-order",
)  # fmt: skip
Patch = pytest.MonkeyPatch


def break_advisory(patch: Patch, code: str, error: type[BaseException] = RuntimeError) -> None:
    """From now on judging this advisory raises, with a patient's name in the error's text."""
    real = cds.assess.judge

    def judge(ready: Any, *rest: Any, **named: Any) -> Any:
        if ready.advisory.code == code:
            raise error(SECRET)
        return real(ready, *rest, **named)

    patch.setattr("cds.assess.judge", judge)


def check_others_answer(data: Path, patch: Patch, code: str, error: type[BaseException] = RuntimeError) -> None:
    with inside(data) as running:
        whole = codes(running.call(scenario()))
        with patch.context() as broken:
            break_advisory(broken, code, error)
            answer = running.call(scenario())
        (_, record) = running.records()
    title = running.desk.knowledge.adult.advisory(code).title
    assert answer.status_code == 200
    assert record.header["outcome"] == "answered"
    # What the broken one alone silenced or took up may speak for itself; nothing else is lost.
    assert codes(answer) >= whole - {code}
    assert title in answer.text
    assert "error of its own" in answer.text
    row = next(row for row in json.loads(record.parts["rules"])["rules"] if row["code"] == code)
    assert (row["outcome"], row["why"]) == ("unknown", "failed")
    assert SECRET not in answer.text
    assert SECRET not in record.header_bytes.decode()


@pytest.mark.parametrize("code", FIRING)
def test_hz_32_a_broken_advisory_is_named_and_costs_no_other(tmp_path: Path, monkeypatch: Patch, code: str) -> None:
    check_others_answer(tmp_path, monkeypatch, code)


@pytest.mark.parametrize("error", [KeyError, ZeroDivisionError, MemoryError, RecursionError])
def test_hz_32_whatever_the_error(tmp_path: Path, monkeypatch: Patch, error: type[BaseException]) -> None:
    check_others_answer(tmp_path, monkeypatch, "dka-criteria-met", error)


def test_control_hz_32_not_kept_apart_the_others_are_lost(tmp_path: Path, monkeypatch: Patch) -> None:
    def together(ready: Any, scene: Any, twin: Any, child: Any, *, interpreted: bool) -> Any:
        return cds.assess.judge(ready, scene, interpreted=interpreted)

    monkeypatch.setattr("cds.assess._kept_apart", together)
    with pytest.raises(AssertionError):
        check_others_answer(tmp_path, monkeypatch, "carbapenem-with-valproate")


STAGES = ("read_request", "assess", "offers", "quality", "build")


@pytest.mark.parametrize("stage", STAGES)
def test_hz_32_a_failing_stage_is_a_card_that_says_so(tmp_path: Path, monkeypatch: Patch, caplog: pytest.LogCaptureFixture, stage: str) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise RuntimeError(SECRET)

    with inside(tmp_path) as running:
        with monkeypatch.context() as broken:
            broken.setattr(f"cds.call.{stage}", fail)
            answer = running.call(scenario())
        (record,) = running.records()
        after = running.call(scenario())
    assert answer.status_code == 200
    (card,) = answer.json()["cards"]
    assert card["indicator"] == "warning"
    assert "do not read its silence as all clear" in card["summary"]
    assert (record.header["outcome"], record.header["status"]) == ("failed", 200)
    assert SECRET not in answer.text + caplog.text
    assert "RuntimeError" in caplog.text
    assert codes(after) >= set(FIRING)


def test_hz_32_a_flip_that_cannot_be_worked_out_costs_no_card(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.call.nearest_flip", lambda *_: 1 / 0)
    with inside(tmp_path) as running:
        assert codes(running.call(scenario())) >= set(FIRING)


def test_au_32_an_error_of_the_edge_itself_tells_nothing(tmp_path: Path, monkeypatch: Patch, caplog: pytest.LogCaptureFixture) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise RuntimeError(SECRET)

    monkeypatch.setattr("cds.service.app.blank_token", lambda body: body if not body else fail())
    monkeypatch.setattr("cds.service.app.read_feedback", fail)
    with inside(tmp_path) as running:
        answers = [running.call(scenario()), running.feedback("x")]
    assert [answer.status_code for answer in answers] == [500, 500]
    assert all(answer.json()["resourceType"] == "OperationOutcome" for answer in answers)
    assert SECRET not in caplog.text + "".join(answer.text for answer in answers)


# HZ-01 -------------------------------------------------------------------------------------------------------------------------------

REQUEST_ID = "11111111-2222-4333-8444-555555555555"


class _SameIds:
    """Every call gets the same request id, so that two answers to one request are equal byte for byte."""

    @staticmethod
    def uuid4() -> str:
        return REQUEST_ID


def check_together(data: Path, patch: Patch) -> None:
    patch.setattr("cds.service.app.uuid", _SameIds)
    bodies = [json.dumps(scenario(name)).encode() for name in ("01-", "05-", "13-", "09-")]
    calls = [("POST", "/cds-services/trivet-order-sign", {"content": body, "headers": JSON}) for body in bodies]
    with inside(data) as running:
        alone = [running.request(method, path, **given) for method, path, given in calls]
        together = running.together(*(calls * 8))
    for place, answer in enumerate(together):
        assert answer.content == alone[place % len(calls)].content
    patients = [json.loads(body)["context"]["patientId"] for body in bodies]
    for place, answer in enumerate(alone):
        others = [patient for other, patient in enumerate(patients) if other != place]
        assert not re.search("|".join(f"Patient/{patient}\\b" for patient in others), answer.text)


def test_hz_01_patients_at_the_same_time_get_the_answers_that_they_get_alone(tmp_path: Path, monkeypatch: Patch) -> None:
    check_together(tmp_path, monkeypatch)


def test_control_hz_01_state_between_calls_is_seen(tmp_path: Path, monkeypatch: Patch) -> None:
    real, last = cds.call.read_request, []

    def stale(body: bytes, **named: Any) -> Any:
        last.append(real(body, **named))
        return last[max(0, len(last) - 2)] if len(last) % 5 == 0 else last[-1]

    monkeypatch.setattr("cds.call.read_request", stale)
    with pytest.raises(AssertionError):
        check_together(tmp_path, monkeypatch)
