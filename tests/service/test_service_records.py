"""What one call leaves behind (AU-01 to AU-12, F-22, L-3, L-4)."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

import cds
from cds.audit.record import Blanked, Kind, Record
from cds.audit.spool import Spool
from cds.audit.store import Ledger, Receipt
from cds.overviews import CODES as OVERVIEWS
from cds.service.desk import Desk
from cds.service.knowledge import RELEASED, in_force_on, parameter_files
from tests.service.inside import JSON, LEAD, Inside, codes, inside, results_of, scenario

TOKEN = "MARKERtoken-7f3a9c1e5b"
SILENT = "03-"
Patch = pytest.MonkeyPatch


def store_fails(patch: Patch, *, spool_too: bool = False) -> None:
    """From now on nothing can be appended, as on a full disk."""

    def fail(*_: Any) -> Any:
        raise sqlite3.OperationalError("database or disk is full")

    patch.setattr(Ledger, "_append", fail)
    if spool_too:
        patch.setattr(Spool, "write", fail)


# AU-01 -------------------------------------------------------------------------------------------------------------------------------


def calls_of_every_outcome(running: Inside, patch: Patch) -> int:
    """Calls that end in every way; how many."""
    running.call(scenario())
    running.call(scenario(SILENT))
    running.call({"hook": "order-sign"})
    running.call(b"{not json", "trivet-order-sign")
    running.call(scenario(), "no-such-service")
    running.call(scenario(), "trivet-patient-view")
    running.call(b" " * 5000, "trivet-order-sign")
    running.request("POST", "/cds-services/trivet-order-sign", content=b"<xml/>", headers={"content-type": "text/xml"})
    with patch.context() as broken:
        broken.setattr("cds.call.assess", lambda *_, **__: 1 / 0)
        running.call(scenario())
    return 9


def check_au_01(data: Path, patch: Patch) -> None:
    with inside(data) as running:
        object.__setattr__(running.desk, "settings", running.settings.model_copy(update={"max_body_bytes": 200_000}))
        sent = calls_of_every_outcome(running, patch)
        found = running.records()
    assert len(found) == sent
    assert [record.header["outcome"] for record in found] == [
        "answered", "answered", "refused", "refused", "not-read", "refused", "refused", "not-read", "failed",
    ]  # fmt: skip


def test_au_01_every_outcome_leaves_one_record(tmp_path: Path, monkeypatch: Patch) -> None:
    check_au_01(tmp_path, monkeypatch)


def test_control_au_01_a_call_without_a_record_is_seen(tmp_path: Path, monkeypatch: Patch) -> None:
    async def forget(desk: Desk, *_: Any) -> Receipt:
        return Receipt("stored", desk.ledger.stream, 1)

    monkeypatch.setattr(Desk, "record", forget)
    with pytest.raises(AssertionError):
        check_au_01(tmp_path, monkeypatch)


def test_body_beyond_the_limit_is_413_and_recorded(tmp_path: Path) -> None:
    with inside(tmp_path, max_body_bytes=1024) as running:
        declared = running.call(scenario())
        in_parts = running.request("POST", "/cds-services/trivet-order-sign", content=_parts(b" " * 700, 3), headers=JSON)
        assert [declared.status_code, in_parts.status_code] == [413, 413]
        assert [record.header["outcome"] for record in running.records()] == ["not-read", "not-read"]


async def _parts(part: bytes, count: int) -> Any:
    for _ in range(count):
        yield part


def check_refuse(data: Path, patch: Patch, setting: str) -> None:
    with inside(data, ledger_on_failure=setting) as running:
        with patch.context() as broken:
            store_fails(broken, spool_too=True)
            answers = [running.call(scenario()), running.call(scenario(SILENT))]
    assert [answer.status_code for answer in answers] == [503, 503]
    assert all(answer.json()["resourceType"] == "OperationOutcome" for answer in answers)


def test_au_01_f_22_refuse_gives_503_without_a_record(tmp_path: Path, monkeypatch: Patch) -> None:
    check_refuse(tmp_path, monkeypatch, "refuse")


def test_control_au_01_under_answer_there_is_a_200(tmp_path: Path, monkeypatch: Patch) -> None:
    with pytest.raises(AssertionError):
        check_refuse(tmp_path, monkeypatch, "answer")


def test_f_22_the_spool_is_a_record(tmp_path: Path, monkeypatch: Patch) -> None:
    with inside(tmp_path) as running:
        with monkeypatch.context() as broken:
            store_fails(broken)
            answer = running.call(scenario())
            ready = running.request("GET", "/health/ready")
        assert answer.status_code == 200
        assert "not-recorded" not in answer.text
        assert ready.status_code == 503
        assert ready.json()["spooled"] >= 1
        running.call(scenario(SILENT))  # the store works again: what was spooled is brought in
        assert answer.headers["trivet-request-id"] in {record.header["request_id"] for record in running.records()}


def check_marked(data: Path, patch: Patch, name: str) -> None:
    with inside(data) as running:
        with patch.context() as broken:
            store_fails(broken, spool_too=True)
            answer = running.call(scenario(name))
            ready = running.request("GET", "/health/ready")
    assert answer.status_code == 200
    cards = answer.json()["cards"]
    assert any(card["indicator"] in ("warning", "critical") for card in cards)
    for card in cards:
        assert card["extension"].get("example.trivet.not-recorded") or "could not record" in card["summary"]
    assert ready.status_code == 503
    assert ready.json()["lost"] >= 1


@pytest.mark.parametrize("name", [LEAD, SILENT])
def test_au_01_l_3_no_unmarked_answer_without_a_record(tmp_path: Path, monkeypatch: Patch, name: str) -> None:
    check_marked(tmp_path, monkeypatch, name)


@pytest.mark.parametrize("name", [LEAD, SILENT])
def test_control_au_01_an_unmarked_answer_is_seen(tmp_path: Path, monkeypatch: Patch, name: str) -> None:
    monkeypatch.setattr("cds.service.app.not_recorded", lambda body, *_: body)
    with pytest.raises(AssertionError):
        check_marked(tmp_path, monkeypatch, name)


def test_l_3_losses_are_recorded_as_a_gap_afterwards(tmp_path: Path, monkeypatch: Patch) -> None:
    with inside(tmp_path) as running:
        with monkeypatch.context() as broken:
            store_fails(broken, spool_too=True)
            running.call(scenario(SILENT))
        running.call(scenario(SILENT))
        assert [record.kind for record in running.records(Kind.GAP)] == [Kind.GAP]


def test_au_01_a_record_that_cannot_be_made_counts_as_lost(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr(Desk, "draft", lambda *_, **__: 1 / 0)
    with inside(tmp_path / "answer") as running:
        answer = running.call(scenario())
        assert answer.status_code == 200
        assert all(card["extension"]["example.trivet.not-recorded"] for card in answer.json()["cards"])
    with inside(tmp_path / "refuse", ledger_on_failure="refuse") as running:
        assert running.call(scenario()).status_code == 503


# AU-02 to AU-10 ----------------------------------------------------------------------------------------------------------------------


def one(running: Inside, request: dict[str, Any] | None = None, **headers: str) -> tuple[Any, Record]:
    answer = running.call(request or scenario(), **headers)
    return answer, running.records()[-1]


def test_au_02_who_whom_what_when(tmp_path: Path) -> None:
    with inside(tmp_path, tenant="north") as running:
        before = _now()
        _, record = one(running)
        header, names, context = record.header, running.desk.ledger.pseudonyms, scenario()["context"]
        assert header["user"] == names.user("north", context["userId"])
        assert header["patient"] == names.patient("north", context["patientId"])
        assert header["encounter"] == names.encounter("north", context["encounterId"])
        assert (header["hook"], header["service"], header["purpose"], header["tenant"]) == ("order-sign", "trivet-order-sign", "real", "north")
        assert before <= header["received_ms"] <= _now()
    clear = json.loads(record.parts["envelope"])
    assert (clear["user"], clear["patient"], clear["encounter"]) == (context["userId"], context["patientId"], context["encounterId"])


def _now() -> int:
    from cds.service.desk import now_ms

    return now_ms()


def check_token(data: Path) -> None:
    request = {**scenario(), "fhirServer": "https://ehr.example/fhir", "fhirAuthorization": {
        "access_token": TOKEN, "token_type": "Bearer", "expires_in": 300, "scope": "patient/*.read", "subject": "trivet",
    }}  # fmt: skip
    with inside(data) as running:
        assert running.call(request).status_code == 200
        broken = {**request, "context": {"userId": "nobody"}}
        assert running.call(broken).status_code == 400
        running.feedback(f"card-{TOKEN}", fhirAuthorization={"access_token": TOKEN})
    held = [path for path in data.rglob("*") if path.is_file() and TOKEN.encode() in path.read_bytes()]
    assert held == []


def test_au_03_l_1_hz_42_the_token_is_in_no_file(tmp_path: Path) -> None:
    check_token(tmp_path)


def test_control_au_03_a_token_that_is_not_blanked_is_found(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.service.app.blank_token", Blanked)
    with pytest.raises(AssertionError):
        check_token(tmp_path)


def test_l_1_what_is_judged_is_what_is_stored(tmp_path: Path, monkeypatch: Patch) -> None:
    judged: list[bytes] = []
    real = Desk.judge

    def spy(desk: Desk, service: str, body: Blanked, *rest: Any) -> Any:
        judged.append(body)
        return real(desk, service, body, *rest)

    monkeypatch.setattr(Desk, "judge", spy)
    with inside(tmp_path) as running:
        _, record = one(running, {**scenario(), "fhirServer": "https://ehr.example/fhir", "fhirAuthorization": {"access_token": TOKEN}})
    assert judged == [record.parts["request"]]


def test_au_04_ids_join_request_record_cards_and_feedback(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        answer, record = one(running, None, **{"x-request-id": "caller-17"})
        card = answer.json()["cards"][0]
        running.feedback(card["uuid"])
        (told,) = running.records(Kind.FEEDBACK)
        (delivered,) = running.records(Kind.DELIVERED)
    header = record.header
    assert header["request_id"] == answer.headers["trivet-request-id"] == delivered.header["request_id"]
    assert header["hook_instance"] == scenario()["hookInstance"]
    assert header["cards"] == [card["uuid"] for card in answer.json()["cards"]]
    assert json.loads(record.parts["envelope"])["caller-request-id"] == "caller-17"
    assert told.header["facts"]["card"] == card["uuid"]


def test_au_05_au_07_the_record_says_what_was_read_and_why(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        _, record = one(running)
    rules = {row["code"]: row for row in json.loads(record.parts["rules"])["rules"]}
    assert set(rules) == {*running.desk.knowledge.codes, *OVERVIEWS}
    (finding,) = rules["insulin-with-low-potassium"]["findings"]
    read = next(row for row in finding["read"] if row["item"] == "potassium")
    assert (read["read"], read["resource"]) == ("3.1 mmol/L", "Observation/s01-potassium-4")
    assert read["path"].startswith("prefetch.electrolytes.entry[")
    because = "\n".join(finding["because"])
    assert "potassium" in because and "below 3.5 mmol/L" in because and "3.1 mmol/L" in because
    assert {row["outcome"] for row in rules.values()} >= {"fired", "not_met", "not_applicable"}


def test_au_06_what_was_not_available_is_in_the_record(tmp_path: Path) -> None:
    request = scenario()
    del request["prefetch"]["electrolytes"]
    with inside(tmp_path) as running:
        answer, record = one(running, request)
    rules = json.loads(record.parts["rules"])
    gaps = [gap for row in rules["rules"] for gap in row.get("gaps", ())]
    assert any(gap["state"] == "not_sent" and "electrolytes" in gap["detail"] for gap in gaps) or any(
        "electrolytes" in row["text"] for row in rules.get("not-judged", ())
    )
    assert "electrolytes" in answer.text


def test_au_08_the_answer_is_stored_as_sent(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        answer, record = one(running)
        refused, refusal = one(running, {"hook": "order-sign"})
        delivered = running.records(Kind.DELIVERED)
    assert (record.parts["answer"], record.header["status"]) == (answer.content, 200)
    assert (refusal.parts["answer"], refusal.header["status"]) == (refused.content, 400)
    assert [row.header["status"] for row in delivered] == [200, 400]
    assert all(0 <= row.header["facts"]["ms"] < 60_000 for row in delivered)


def test_au_09_hashes_name_software_knowledge_and_configuration(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(
        '[[insulin_needs_potassium_at_least.value]]\npopulation = "adult"\nsince = 2026-01-01\nis = 3.6\nsource = "drug committee"\nverified = "ours"\n',
        encoding="utf-8",
    )
    hashes = []
    for place, settings in enumerate(({}, {"site_parameters": site}, {"adult_profile": "us-2009"}, {"site_zone": "Europe/London"})):
        with inside(tmp_path / str(place), **settings) as running:
            _, record = one(running)
            version = running.request("GET", "/version").json()
        assert record.header["hashes"] == version["hashes"]
        assert version["release"] == cds.__version__
        hashes.append(version["hashes"])
    assert len({each["software"] for each in hashes}) == 1
    assert hashes[0]["knowledge"] not in (hashes[1]["knowledge"], hashes[2]["knowledge"])
    assert hashes[0]["parameter_files"] != hashes[1]["parameter_files"]
    assert hashes[0]["configuration"] not in (hashes[2]["configuration"], hashes[3]["configuration"])
    assert hashes[0]["knowledge"] == hashes[3]["knowledge"]


def test_au_10_received_evaluated_and_answered_stand_in_the_record(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        _, record = one(running)
        request = scenario()
        del request["extension"]
        _, now = one(running, request)
        delivered = running.records(Kind.DELIVERED)
    assert record.header["evaluated_ms"] == 1_773_476_400_000  # 2026-03-14T08:20:00Z
    assert now.header["evaluated_ms"] == now.header["received_ms"]
    assert all(row.header["received_ms"] >= record.header["received_ms"] for row in delivered)


def test_f_35_client_time_only_where_it_is_allowed(tmp_path: Path) -> None:
    with inside(tmp_path, allow_client_time=False) as running:
        _, record = one(running)
    assert record.header["evaluated_ms"] == record.header["received_ms"]


# L-4 ---------------------------------------------------------------------------------------------------------------------------------


def gone_after_the_body(running: Inside, body: bytes) -> None:
    """A client that sends its request and hangs up before the answer."""
    messages = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Any:
        return messages.pop(0) if messages else {"type": "http.disconnect"}

    async def send(_: Any) -> None:
        await asyncio.sleep(0)

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http", "query_string": b"", "root_path": "",
        "path": "/cds-services/trivet-order-sign", "raw_path": b"/cds-services/trivet-order-sign", "headers": [(b"content-type", b"application/json")],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8000),
    }  # fmt: skip
    running._runner.run(running.app(scope, receive, send))


def test_l_4_delivered_says_sent_or_client_gone(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        running.call(scenario())
        gone_after_the_body(running, json.dumps(scenario()).encode())
        rows = running.records(Kind.DELIVERED)
        calls = running.records()
    assert [row.header["outcome"] for row in rows] == ["sent", "client gone"]
    assert [row.header["request_id"] for row in rows] == [call.header["request_id"] for call in calls]


def test_l_4_delivered_rows_are_written_without_a_next_call(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        running.call(scenario())
    with inside(tmp_path) as again:
        assert len(again.records(Kind.DELIVERED)) == 1


# AU-11, AU-12 ------------------------------------------------------------------------------------------------------------------------


def check_feedback_appends(data: Path, alter: Callable[[Inside], None] = lambda _: None) -> None:
    with inside(data) as running:
        answer, before = one(running)
        card = answer.json()["cards"][0]["uuid"]
        for _ in range(2):
            assert running.feedback(card, overrideReason={"reason": {"code": "will-monitor"}, "userComment": "next gas at nine"}).status_code == 200
        alter(running)
        after = running.records()[0]
        told = running.records(Kind.FEEDBACK)
    assert (after.header_bytes, after.evidence, after.hash) == (before.header_bytes, before.evidence, before.hash)
    assert [row.header["facts"]["card"] for row in told] == [card, card]
    assert all(row.header["facts"]["reason"] == "will-monitor" and row.header["facts"]["matched"] for row in told)
    assert json.loads(told[0].parts["feedback"])["overrideReason"]["userComment"] == "next gas at nine"
    assert "next gas" not in told[0].header_bytes.decode()


def test_au_11_feedback_is_appended_and_alters_nothing(tmp_path: Path) -> None:
    check_feedback_appends(tmp_path)


def test_control_au_11_an_altered_record_is_seen(tmp_path: Path) -> None:
    def alter(running: Inside) -> None:
        with sqlite3.connect(running.ledger_directory / "stream-00.sqlite") as connection:
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute("UPDATE entries SET header = CAST(replace(CAST(header AS TEXT), 'answered', 'accepted') AS BLOB)")
        connection.close()

    with pytest.raises(AssertionError):
        check_feedback_appends(tmp_path, alter)


def test_au_12_what_is_not_shown_is_recorded_with_its_reason(tmp_path: Path) -> None:
    with inside(tmp_path, switched_off=frozenset({"carbapenem-with-valproate"})) as running:
        answer, record = one(running)
    rules = {row["code"]: row for row in json.loads(record.parts["rules"])["rules"]}
    assert rules["carbapenem-with-valproate"] == {"code": "carbapenem-with-valproate", "outcome": "switched_off", "why": "switched off at this site"}
    assert "carbapenem-with-valproate" not in codes(answer)
    assert all(row.get("why") or row["outcome"] in ("not_met", "fired") for row in rules.values())
    assert any(results_of(scenario(), "electrolytes", "potassium"))


# The host's clock --------------------------------------------------------------------------------------------------------------------


def test_hz_16_a_clock_that_is_wrong_takes_no_figure_away() -> None:
    files = {"a.toml": '[x]\n[[x.value]]\nsince = 2024-06-22\n[[x.value]]\nsince = 2030-01-01\n'}
    assert in_force_on(files, date(1970, 1, 1)) == in_force_on(files, RELEASED) == date(2024, 6, 22)
    assert in_force_on(files, date(2029, 12, 31)) == date(2024, 6, 22)
    assert in_force_on(files, date(2031, 5, 5)) == date(2030, 1, 1)
    shipped = parameter_files()
    newest = in_force_on(shipped, date(1970, 1, 1))
    assert newest == in_force_on(shipped, date(2100, 1, 1)), "a shipped figure is dated after the release"


def test_control_hz_16_without_the_floor_an_old_clock_takes_figures_away(monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.service.knowledge.RELEASED", date(1970, 1, 1))
    with pytest.raises(AssertionError):
        test_hz_16_a_clock_that_is_wrong_takes_no_figure_away()
