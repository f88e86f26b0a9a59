"""What is open and what is closed: addresses, methods, origins, sizes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest

from cds.service.settings import Settings, SettingsError
from tests.service.inside import JSON, inside, scenario


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.0.0.53"])
def test_loopback_starts(host: str) -> None:
    assert Settings(host=host).checked().host == host


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "trivet.example"])
def test_a_public_address_without_authentication_is_refused(host: str) -> None:
    with pytest.raises(SettingsError, match="TRIVET_ALLOW_PUBLIC_WITHOUT_AUTHENTICATION"):
        Settings(host=host).checked()
    assert Settings(host=host, allow_public_without_authentication=True).checked().client_time is False


def test_every_origin_at_once_is_refused() -> None:
    with pytest.raises(SettingsError, match="list each origin"):
        Settings(cors_origins=("https://ehr.example", "*")).checked()


def preflight(data: Path, **settings: Any) -> httpx.Response:
    with inside(data, **settings) as running:
        return running.request(
            "OPTIONS", "/cds-services/trivet-order-sign", headers={"origin": "https://ehr.example", "access-control-request-method": "POST"}
        )


def test_cors_is_off_unless_origins_are_listed(tmp_path: Path) -> None:
    off = preflight(tmp_path)
    on = preflight(tmp_path, cors_origins=("https://ehr.example",))
    other = preflight(tmp_path, cors_origins=("https://other.example",))
    assert "access-control-allow-origin" not in off.headers
    assert on.headers["access-control-allow-origin"] == "https://ehr.example"
    assert "access-control-allow-origin" not in other.headers
    with inside(tmp_path, cors_origins=("https://ehr.example",)) as running:
        answer = running.request("POST", "/cds-services/trivet-order-sign", content=b"{}", headers={**JSON, "origin": "https://ehr.example"})
        stranger = running.request("GET", "/cds-services", headers={"origin": "https://other.example"})
    assert answer.headers["access-control-allow-origin"] == "https://ehr.example"
    assert "access-control-allow-origin" not in stranger.headers


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing-here", 404),
        ("POST", "/cds-services/no-such-service", 404),
        ("POST", "/cds-services/no-such-service/feedback", 404),
        ("GET", "/cds-services/trivet-order-sign", 405),
        ("DELETE", "/cds-services", 405),
        ("GET", "/docs", 404),
        ("GET", "/cds-services/trivet-order-sign/feedback", 405),
    ],
)
def test_errors_are_operation_outcomes(tmp_path: Path, method: str, path: str, status: int) -> None:
    with inside(tmp_path) as running:
        answer = running.request(method, path)
    assert answer.status_code == status
    assert answer.json()["resourceType"] == "OperationOutcome"
    assert answer.json()["issue"][0]["severity"] == "error"


def test_every_answer_says_that_it_must_not_be_kept(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        answers = [
            running.call(scenario()), running.call(b"{", "trivet-order-sign"), running.request("GET", "/cds-services"),
            running.request("GET", "/nothing-here"), running.request("GET", "/health/ready"), running.request("GET", "/version"),
        ]  # fmt: skip
    assert {answer.headers["cache-control"] for answer in answers} == {"no-store"}
    assert {answer.headers["x-content-type-options"] for answer in answers} == {"nosniff"}


def test_health_version_and_openapi(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        live, ready = running.request("GET", "/health/live"), running.request("GET", "/health/ready")
        document = running.request("GET", "/openapi.json").json()
    assert (live.status_code, live.json()) == (200, {"status": "alive"})
    assert (ready.status_code, ready.json()["status"], ready.json()["lost"]) == (200, "ready", 0)
    assert document["openapi"].startswith("3.1")
    assert set(document["paths"]) == {"/cds-services", "/cds-services/{service_id}", "/cds-services/{service_id}/feedback", "/health/live", "/health/ready", "/version"}


@pytest.mark.parametrize("kind", ["application/json", "application/json; charset=utf-8", "application/fhir+json", None])
def test_json_media_types_are_taken(tmp_path: Path, kind: str | None) -> None:
    with inside(tmp_path) as running:
        answer = running.request("POST", "/cds-services/trivet-order-sign", content=b"{}", headers={} if kind is None else {"content-type": kind})
    assert answer.status_code == 400
