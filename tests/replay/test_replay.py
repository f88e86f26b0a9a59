"""What was recorded is answered again byte for byte, from the record alone (AU-13, F-41, L-16, L-17, HZ-44)."""

from __future__ import annotations

import importlib
import json
import uuid
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cds.audit.memory import OverrideMemory
from cds.audit.read import Filter, LedgerReader
from cds.audit.record import Kind, Record
from cds.cli.main import main
from cds.replay import Category, Configuration, Recorded, Report, Sources, replay_ledger, replay_record
from cds.replay.again import differences
from cds.service.knowledge import configuration, parameter_files
from cds.service.settings import Settings
from tests.service.inside import LEAD, Inside, card_with, inside, scenario, scenarios

Patch = pytest.MonkeyPatch
SITE = '[[insulin_needs_potassium_at_least.value]]\npopulation = "adult"\nsince = 2026-01-01\nis = 3.0\nsource = "drug committee"\nverified = "ours"\n'


def fill(running: Inside) -> None:
    """Every scenario; the lead again after an override; without an encounter and without a time of its own; and what was refused or failed."""
    for name in scenarios():
        assert running.call(scenario(name)).status_code == 200
    card = card_with(running.call(scenario()), "insulin-with-low-potassium")
    running.feedback(card["uuid"], overrideReason={"reason": {"code": "local-protocol"}})
    running.call(scenario())
    now = scenario()
    del now["extension"], now["context"]["encounterId"]
    running.call(now)
    running.call({**scenario(), "fhirServer": "https://ehr.example/fhir", "fhirAuthorization": {"access_token": "abcdefgh-12345678"}})
    running.call({"hook": "order-sign"})
    running.call(b"\xff\xfe{", "trivet-order-sign")
    running.call(scenario(), "no-such-service")
    running.request("POST", "/cds-services/trivet-order-sign/feedback", content=b"{}", headers={"content-type": "application/json"})


CALLS = len(scenarios()) + 1 + 1 + 1 + 1 + 1 + 1


SOFTWARE = "5" * 64
BUILD = importlib.import_module("cds.cards.build")
RECORDS = importlib.import_module("cds.replay.records")


@pytest.fixture(autouse=True, scope="module")
def one_software() -> Iterator[None]:
    """The software's hash, held still for the length of this module: a file that is edited meanwhile is another software."""
    with pytest.MonkeyPatch.context() as patch:
        for place in ("cds.service.desk", "cds.cli.ledger"):
            patch.setattr(f"{place}.software_digest", lambda: SOFTWARE)
        yield


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The data folder of a service that was used and stopped."""
    data = tmp_path_factory.mktemp("replay")
    with inside(data, site_zone="Europe/Berlin", switched_off=frozenset({"hypoglycaemia"})) as running:
        fill(running)
    yield data


def replayed(data: Path, wanted: Filter | None = None, software: str | None = None, files: Mapping[str, str] | None = None) -> Report:
    return replay_ledger(LedgerReader(data / "ledger"), software or SOFTWARE, files or parameter_files(), wanted)


def check_equal(data: Path) -> None:
    report = replayed(data)
    assert [one.differences for one in report.different] == []
    assert report.ok
    assert report.counts[Category.EQUAL] == CALLS
    assert report.counts[Category.NOT_KEPT] == 1
    assert report.counts[Category.OTHER_RELEASE] == 0


def test_au_13_hz_44_every_recorded_call_is_answered_again_byte_for_byte(kept: Path) -> None:
    assert len(scenarios()) >= 16
    check_equal(kept)


def test_control_au_13_another_figure_is_different(kept: Path, monkeypatch: Patch) -> None:
    real = Configuration.knowledge

    def changed(self: Configuration, files: Mapping[str, str]) -> Any:
        return real(self, {**files, "site:site.toml": SITE})

    monkeypatch.setattr(Configuration, "knowledge", changed)
    report = replayed(kept)
    assert not report.ok
    told = "\n".join(line for one in report.different for line in one.differences)
    assert "recorded" in told and "now" in told
    with pytest.raises(AssertionError):
        check_equal(kept)


def test_control_au_13_another_clock_is_different(kept: Path, monkeypatch: Patch) -> None:
    real = RECORDS.recorded_of

    def later(record: Record) -> Any:
        call = real(record)
        return replace(call, received=call.received + 60_000) if isinstance(call, Recorded) else call

    monkeypatch.setattr(RECORDS, "recorded_of", later)
    with pytest.raises(AssertionError):
        check_equal(kept)


def test_control_f_41_a_random_card_id_is_different(kept: Path, monkeypatch: Patch) -> None:
    class Random:
        UUID = uuid.UUID

        @staticmethod
        def uuid5(*_: Any) -> uuid.UUID:
            return uuid.uuid4()

    monkeypatch.setattr(BUILD, "uuid", Random)
    with pytest.raises(AssertionError):
        check_equal(kept)


def test_l_17_the_memory_that_was_read_is_used_and_never_the_present_one(kept: Path, tmp_path: Path, monkeypatch: Patch) -> None:
    for path in (kept / "ledger").glob("memory.sqlite*"):
        path.unlink()
    monkeypatch.setattr(OverrideMemory, "read", lambda *_, **__: 1 / 0)
    check_equal(kept)


def test_control_l_17_without_the_recorded_memory_it_differs(kept: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.replay.again.rows_from_bytes", lambda _: ())
    with pytest.raises(AssertionError):
        check_equal(kept)


def test_the_present_settings_are_never_used(kept: Path, monkeypatch: Patch, capsys: pytest.CaptureFixture[str]) -> None:
    for name, value in {
        "TRIVET_DATA": str(kept), "TRIVET_SITE_ZONE": "Asia/Tokyo", "TRIVET_ALLOW_CLIENT_TIME": "false", "TRIVET_ADULT_PROFILE": "us-2009",
        "TRIVET_CANONICAL_BASE": "https://other.example/fhir", "TRIVET_SWITCHED_OFF": '["dka-criteria-met"]',
    }.items():  # fmt: skip
        monkeypatch.setenv(name, value)
    assert command("ledger", "replay", monkeypatch=monkeypatch) == 0
    assert f"equal: {CALLS}" in capsys.readouterr().out


def command(*words: str, monkeypatch: Patch) -> int:
    """The exit code of a command."""
    monkeypatch.setattr("sys.argv", ["trivet", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def test_l_16_any_different_gives_exit_code_1(kept: Path, monkeypatch: Patch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("TRIVET_DATA", str(kept))
    monkeypatch.setattr(BUILD, "CLOSING", "Other words.")
    assert command("ledger", "replay", monkeypatch=monkeypatch) == 1
    told = capsys.readouterr().out
    assert "Different, though the software is the same" in told
    assert "Other words." in told or "answer.cards[0].detail" in told


def test_l_16_other_software_is_told_apart(kept: Path, monkeypatch: Patch) -> None:
    same = replayed(kept, software="0" * 64)
    assert (same.ok, same.counts[Category.EQUAL], same.counts[Category.OTHER_RELEASE]) == (True, 0, CALLS)
    assert same.software_changed == []
    monkeypatch.setattr(BUILD, "CLOSING", "Other words.")
    changed = replayed(kept, software="0" * 64)
    assert changed.ok
    assert changed.software_changed and all(one.differences for one in changed.software_changed)


def test_l_16_figures_that_do_not_fit_are_said(kept: Path) -> None:
    report = replayed(kept, software="0" * 64, files={"topics/none.toml": ""})
    assert report.counts[Category.OTHER_RELEASE] == CALLS
    assert all("do not fit this release" in one.why for one in report.software_changed)


def test_filters_choose_what_is_judged_again(kept: Path) -> None:
    report = replayed(kept, Filter(kind=Kind.CALL, advisory="carbapenem-with-valproate"))
    assert 0 < report.counts[Category.EQUAL] < CALLS
    assert report.counts[Category.NOT_A_CALL] == 0


def a_call(data: Path) -> tuple[Record, Sources]:
    reader = LedgerReader(data / "ledger")
    record = next(r for r in reader.records("00") if r.kind == Kind.CALL)
    return record, Sources(reader, SOFTWARE, parameter_files())


@pytest.mark.parametrize("gone", ["evidence", "part", "blob"])
def test_l_16_what_is_not_kept_is_said_and_never_called_equal(kept: Path, monkeypatch: Patch, gone: str) -> None:
    record, sources = a_call(kept)
    if gone == "evidence":
        record = replace(record, salt=None, evidence=None)
    elif gone == "part":
        record = replace(record, evidence=b"TRE1")
    else:
        monkeypatch.setattr(LedgerReader, "blob", lambda *_: None)
    assert replay_record(record, sources).category is Category.NOT_KEPT


def test_other_records_are_not_calls(kept: Path) -> None:
    report = replayed(kept)
    reader = LedgerReader(kept / "ledger")
    others = [r for r in reader.records("00") if r.kind != Kind.CALL or r.header["outcome"] == "feedback-refused"]
    assert report.counts[Category.NOT_A_CALL] == len(others)


def test_a_failed_call_fails_again_in_the_same_way(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr("cds.call.assess", lambda *_, **__: 1 / 0)
    with inside(tmp_path) as running:
        running.call(scenario())
    report = replayed(tmp_path)
    assert (report.ok, report.counts[Category.EQUAL]) == (True, 1)
    monkeypatch.undo()
    (one,) = replayed(tmp_path).different
    assert any("answer.cards[0].summary" in line for line in one.differences)


def test_site_figures_come_from_the_ledger(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    with inside(tmp_path, site_parameters=site) as running:
        answer = running.call(scenario())
    assert "insulin-with-low-potassium" not in answer.text.split("example.trivet.knowledge")[0]
    site.unlink()
    report = replayed(tmp_path)
    assert (report.ok, report.counts[Category.EQUAL]) == (True, 1)


def test_configuration_round_trips_and_holds_no_path(tmp_path: Path) -> None:
    made = configuration(Settings(data=tmp_path, site_zone="Europe/London", switched_off=frozenset({"b", "a"})))
    assert Configuration.from_bytes(made.to_bytes()) == made
    assert made.switched_off == ("a", "b")
    assert str(tmp_path) not in made.to_bytes().decode()
    with pytest.raises(ValueError, match="layout"):
        Configuration.from_bytes(b"{}")


def test_differences_name_path_and_both_values() -> None:
    old = {"cards": [{"summary": "a", "n": 1.10}], "only": True}
    new = deepcopy(old)
    new["cards"].append({"summary": "b"})
    new["cards"][0]["summary"] = "c"
    del new["only"]
    found = differences("answer", json.dumps(old).encode(), json.dumps(new).encode())
    assert found == [
        'answer.cards[0].summary: "a" recorded, "c" now',
        'answer.cards[1]: nothing recorded, {"summary": "b"} now',
        "answer.only: true recorded, nothing now",
    ]
    assert differences("answer", b'{"a":1}', b'{"a": 1}') == ["answer: the bytes differ, the content does not"]
    assert differences("answer", b"\xff", b"{}") == ["answer: the bytes differ"]
    assert LEAD in scenarios()
