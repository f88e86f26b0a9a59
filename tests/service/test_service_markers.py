"""No patient data and no token in what is not evidence: log, headers, refusals, index (L-38, AU-30, AU-32, HZ-42, HZ-45)."""

from __future__ import annotations

import json
import sqlite3
from copy import deepcopy
from pathlib import Path
from typing import Any

import httpx
import pytest

import cds.service.desk
from tests.service.inside import JSON, inside, scenario
from tests.service_process import start_service

NUMBER = 90210334455
Patch = pytest.MonkeyPatch


def marked() -> tuple[dict[str, Any], list[str]]:
    """The lead scenario with a marker in every text that is not a code, a time or a rule of FHIR, and the markers."""
    request = scenario()
    markers: list[str] = []

    def mark(kind: str) -> str:
        markers.append(f"MARKER{kind}{len(markers):04d}")
        return markers[-1]

    patient = request["context"]["patientId"]
    text = json.dumps(request)
    for old, kind in ((patient, "patient"), (request["context"]["userId"].split("/")[1], "user"), (request["context"]["encounterId"], "encounter")):
        text = text.replace(old, mark(kind))
    request = json.loads(text)

    def walk(node: Any) -> None:
        if isinstance(node, list):
            for each in node:
                walk(each)
        elif isinstance(node, dict):
            for key, value in node.items():
                if key in ("family", "text", "label") and isinstance(value, str):
                    node[key] = f"{value} {mark(key)}"
                elif key == "identifier" and isinstance(value, list):
                    value.append({"system": "https://ids.example", "value": mark("identifier")})
                else:
                    walk(value)

    walk(request)
    request["prefetch"]["patient"]["multipleBirthInteger"] = NUMBER
    request["fhirServer"] = "https://ehr.example/fhir"
    request["fhirAuthorization"] = {
        "access_token": mark("token") + "-abcdef", "token_type": "Bearer", "expires_in": 300, "scope": "patient/*.read", "subject": mark("subject"),
    }  # fmt: skip
    request["hookInstance"] = request["hookInstance"]
    markers.append(str(NUMBER))
    return request, markers


def broken(request: dict[str, Any], markers: list[str]) -> list[bytes]:
    """Requests that are refused or half readable, with markers where the fault is."""
    name = f"MARKERbroken{len(markers):04d}"
    markers.append(name)
    made = []
    for place in ("hook", "hookInstance", "userId", "patientId", "evaluate-at", "number", "key"):
        bad = deepcopy(request)
        if place in ("hook", "hookInstance"):
            bad[place] = name
        elif place == "evaluate-at":
            bad["extension"]["example.trivet.evaluate-at"] = name
        elif place == "number":
            bad["prefetch"]["electrolytes"]["entry"][0]["resource"]["valueQuantity"]["value"] = name
        elif place == "key":
            bad["prefetch"][name] = {"resourceType": name}
        else:
            bad["context"][place] = f"{name}/{name} {name}"
        made.append(json.dumps(bad).encode())
    made.append(json.dumps(request).encode()[:-200] + name.encode())
    return made


def check_markers(log: str, ledger: Path, answers: list[httpx.Response], markers: list[str]) -> None:
    seen = [log, *(repr(answer.headers) for answer in answers), *(answer.text for answer in answers if answer.status_code != 200)]
    for file in ledger.glob("stream-*.sqlite"):
        connection = sqlite3.connect(file)
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'") if name != "evidence"]
        seen += [repr(row) for name in names for row in connection.execute(f"SELECT * FROM {name}")]
        connection.close()
    found = [marker for marker in markers if any(marker in text for text in seen)]
    assert found == []


def speak(post: Any) -> tuple[list[httpx.Response], list[str]]:
    """Good, broken and refused calls, and feedback, through a function that posts."""
    request, markers = marked()
    answers = [post("/cds-services/trivet-order-sign", json.dumps(request).encode())]
    answers += [post("/cds-services/trivet-order-sign", body) for body in broken(request, markers)]
    markers.append("MARKERcomment")
    card = answers[0].json()["cards"][0]["uuid"]
    for item in (
        {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-03-14T08:25:00Z", "overrideReason": {"userComment": "MARKERcomment"}},
        {"card": "MARKERcomment", "outcome": "overridden", "outcomeTimestamp": "2026-03-14T08:25:00Z"},
        {"card": card, "outcome": "MARKERcomment"},
    ):
        answers.append(post("/cds-services/trivet-order-sign/feedback", json.dumps({"feedback": [item]}).encode()))
    return answers, markers


def test_l_38_hz_45_no_marker_in_log_headers_refusals_and_index(tmp_path: Path) -> None:
    with start_service(tmp_path) as running:
        with httpx.Client(base_url=running.url, timeout=30) as client:
            answers, markers = speak(lambda path, body: client.post(path, content=body, headers=JSON))
    assert answers[0].status_code == 200
    assert len(markers) > 50
    assert {answer.status_code for answer in answers} <= {200, 400}
    assert sum(answer.status_code == 400 for answer in answers) >= 5
    check_markers(running.log.read_text(), running.data_dir / "data" / "ledger", answers, markers)


def spoken_inside(data: Path, caplog: pytest.LogCaptureFixture) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise RuntimeError("patient MARKERpatient0000 cannot be judged")

    with inside(data) as running:
        answers, markers = speak(lambda path, body: running.request("POST", path, content=body, headers=JSON))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("cds.call.assess", fail)
            answers.append(running.call(marked()[0]))
        check_markers(caplog.text, running.ledger_directory, answers, markers)


def test_au_32_the_text_of_an_error_is_in_no_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    spoken_inside(tmp_path, caplog)
    assert "RuntimeError" in caplog.text


def test_control_au_32_an_error_logged_with_its_text_is_seen(tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: Patch) -> None:
    monkeypatch.setattr(cds.service.desk, "where", repr)
    with pytest.raises(AssertionError):
        spoken_inside(tmp_path, caplog)


def test_control_l_38_a_refusal_that_echoes_is_seen(tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: Patch) -> None:
    real = cds.service.desk.answer

    def echo(body: bytes, **named: Any) -> Any:
        from dataclasses import replace

        made = real(body, **named)
        return replace(made, body=body) if made.status == 400 else made

    monkeypatch.setattr(cds.service.desk, "answer", echo)
    with pytest.raises(AssertionError):
        spoken_inside(tmp_path, caplog)
