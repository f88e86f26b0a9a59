"""`trivet serve`: what starts, what is refused, and what it leaves behind."""

from __future__ import annotations

import signal
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

import cds
from cds.service.settings import Settings
from tests.cli.command import Trivet, process
from tests.service.inside import JSON, card_with, scenario
from tests.service_process import free_port, start_service

REFUSED_ON = "refusing to listen on 0.0.0.0"


@pytest.fixture
def uvicorn_calls(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What would have been served; nothing is."""
    calls: list[dict[str, Any]] = []

    monkeypatch.setattr("cds.cli.serve.uvicorn.run", lambda app, **options: calls.append({"app": app, **options}))
    return calls


def check_refused(trivet: Trivet, calls: list[dict[str, Any]]) -> None:
    said = trivet("serve", "--host", "0.0.0.0")
    assert said.code == 2
    assert REFUSED_ON in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert calls == []


def test_a_public_address_without_authentication_is_refused_in_one_line(trivet: Trivet, uvicorn_calls: list[dict[str, Any]]) -> None:
    check_refused(trivet, uvicorn_calls)


def test_control_refusal_unchecked_settings_would_serve(trivet: Trivet, uvicorn_calls: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Settings, "checked", lambda self: self)
    monkeypatch.setattr("cds.cli.serve.Desk", lambda _: None)
    with pytest.raises(AssertionError):
        check_refused(trivet, uvicorn_calls)
    assert len(uvicorn_calls) == 1


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("TRIVET_PORT", "http", "TRIVET_PORT"),
        ("TRIVET_PORT", "70000", "TRIVET_PORT"),
        ("TRIVET_SITE_ZONE", "Mars", "'Mars' is not a time zone"),
        ("TRIVET_SITE_PARAMETERS", "/does/not/exist.toml", "TRIVET_SITE_PARAMETERS"),
        ("TRIVET_ADULT_PROFILE", "house-rules", "adult profile 'house-rules'"),
        ("TRIVET_SETTINGS_FILE", "/does/not/exist.toml", "TRIVET_SETTINGS_FILE"),
        ("TRIVET_CORS_ORIGINS", '["*"]', "list each origin"),
        ("TRIVET_CORS_ORIGINS", "ehr.example", "settings cannot be read"),
    ],
)
def test_settings_that_do_not_fit_are_told_in_one_line(
    trivet: Trivet, uvicorn_calls: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch, name: str, value: str, told: str
) -> None:
    monkeypatch.setenv(name, value)
    said = trivet("serve")
    assert said.code == 2
    assert told in said.err
    assert "Traceback" not in said.err
    assert uvicorn_calls == []


def test_a_damaged_ledger_is_told_in_one_line(trivet: Trivet, uvicorn_calls: list[dict[str, Any]], tmp_path: Path) -> None:
    folder = tmp_path / "data" / "ledger"
    folder.mkdir(parents=True)
    (folder / "stream-00.sqlite").write_bytes(b"not a database" * 100)
    said = trivet("serve")
    assert said.code == 2
    assert "Traceback" not in said.err
    assert "ledger" in said.err


def test_a_settings_file_is_read_and_arguments_win(trivet: Trivet, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    file = tmp_path / "trivet.toml"
    file.write_text('port = 9001\nhost = "127.0.0.2"\nmode = "live"\n', encoding="utf-8")
    monkeypatch.setenv("TRIVET_SETTINGS_FILE", str(file))
    monkeypatch.setenv("TRIVET_HOST", "127.0.0.3")
    chosen: list[Settings] = []
    monkeypatch.setattr("cds.cli.serve.run", chosen.append)
    trivet("serve", "--port", "9002")
    trivet("serve")
    assert [(each.host, each.port) for each in chosen] == [("127.0.0.3", 9002), ("127.0.0.3", 9001)]


def test_unknown_settings_in_the_file_are_refused(trivet: Trivet, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    file = tmp_path / "trivet.toml"
    file.write_text("prot = 9001\n", encoding="utf-8")
    monkeypatch.setenv("TRIVET_SETTINGS_FILE", str(file))
    said = trivet("serve")
    assert (said.code, "TRIVET_PROT: there is no such setting" in said.err) == (2, True)


def test_version(trivet: Trivet) -> None:
    assert trivet("--version").out == f"trivet {cds.__version__}\n"


def test_how_it_serves(trivet: Trivet, uvicorn_calls: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cds.cli.serve.Desk", lambda _: None)
    assert trivet("serve", "--port", "8123").code == 0
    assert trivet("serve", "--workers", "3").code == 0
    alone, many = uvicorn_calls
    for options in (alone, many):
        assert (options["access_log"], options["server_header"], options["timeout_keep_alive"]) == (False, False, 5)
    assert alone["port"] == 8123
    assert (many["app"], many["factory"], many["workers"]) == ("cds.service.app:app_from_environment", True, 3)


# Real processes ----------------------------------------------------------------------------------------------------------------------


def wait_for(url: str, server: Any) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and server.poll() is None:
        try:
            if httpx.get(f"{url}/health/ready", timeout=2).status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    raise AssertionError(f"not ready: {server.communicate(timeout=5)}")


def test_meant_public_address_starts_and_leaves_no_visible_file(tmp_path: Path) -> None:
    port, folder = free_port(), tmp_path / "work"
    folder.mkdir()
    home = tmp_path / "home"
    server = process(
        ["serve", "--host", "0.0.0.0", "--port", str(port)], folder,
        TRIVET_ALLOW_PUBLIC_WITHOUT_AUTHENTICATION="true", HOME=str(home), XDG_DATA_HOME=str(home / "share"),
    )  # fmt: skip
    try:
        wait_for(f"http://127.0.0.1:{port}", server)
        answer = httpx.get(f"http://127.0.0.1:{port}/cds-services")
    finally:
        server.send_signal(signal.SIGINT)
        out, _ = server.communicate(timeout=20)
    assert "server" not in answer.headers
    assert f"Trivet serves http://0.0.0.0:{port}/cds-services (no authentication" in out
    assert f"Ledger and keys are in {home / 'share' / 'trivet'}" in out
    assert list(folder.iterdir()) == []
    assert (home / "share" / "trivet" / "ledger" / "stream-00.sqlite").is_file()


def test_the_same_address_twice_is_told(tmp_path: Path) -> None:
    with start_service(tmp_path / "first") as running:
        port = running.url.rpartition(":")[2]
        second = process(["serve", "--port", port], tmp_path, TRIVET_DATA=str(tmp_path / "second"))
        _, err = second.communicate(timeout=30)
    assert second.returncode != 0
    assert "address already in use" in err


def test_two_workers_serve_one_ledger(tmp_path: Path) -> None:
    with start_service(tmp_path, TRIVET_WORKERS="2") as running:
        deadline = time.monotonic() + 30
        folder = running.data_dir / "data" / "ledger"
        while len(list(folder.glob("stream-*.sqlite"))) < 2 and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(0.3)
        answers = []
        for _ in range(8):  # a new connection each: whichever worker takes it
            answers.append(httpx.post(f"{running.url}/cds-services/trivet-order-sign", json=scenario(), headers=JSON, timeout=30))
        card = card_with(answers[0], "insulin-with-low-potassium")["uuid"]
        item = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-03-14T08:25:00Z"}
        told = httpx.post(f"{running.url}/cds-services/trivet-order-sign/feedback", json={"feedback": [item]})
        after = [httpx.post(f"{running.url}/cds-services/trivet-order-sign", json=scenario(), timeout=30) for _ in range(6)]
    assert {answer.status_code for answer in answers} == {200}
    assert told.status_code == 200
    assert all("insulin-with-low-potassium" not in {e["code"] for c in a.json()["cards"] for e in c["extension"]["example.trivet.advisories"]} for a in after)
    assert sorted(path.name for path in folder.glob("stream-*.sqlite")) == ["stream-00.sqlite", "stream-01.sqlite"]
