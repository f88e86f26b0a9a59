"""Signed heads in the running service: made at the start, off the path of an answer, and loud when they cannot be signed (AU-25, AU-29)."""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
from pathlib import Path

import pytest

from cds.audit.errors import LedgerDamaged
from cds.audit.heads import read_head, stored_lines, witness_lines
from cds.audit.keeper import HeadKeeper
from cds.audit.read import Filter, LedgerReader
from cds.audit.verify import verify
from cds.service.desk import Desk
from tests.service.inside import Inside, inside, scenario


def test_first_start_needs_no_set_up_and_every_record_is_under_a_head_at_the_end(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        running.call(scenario())
        assert json.loads(running.request("GET", "/health/ready").content)["heads"] == "signed"
    found = verify(tmp_path / "ledger", lines=witness_lines(tmp_path / "witness" / "heads.txt"))
    assert (found.ok, found.uncovered, found.witnessed) == (True, 0, 2)


def test_keys_and_witness_go_where_the_settings_say(tmp_path: Path) -> None:
    with inside(tmp_path / "data", keys=tmp_path / "safe", witness=tmp_path / "other" / "w.txt"):
        pass
    assert (tmp_path / "safe" / "heads.key").exists() and witness_lines(tmp_path / "other" / "w.txt")
    assert not (tmp_path / "data" / "keys").exists() and not (tmp_path / "data" / "witness").exists()


def test_no_answer_waits_for_a_signature(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every signature is made in the keeper's thread, or at the start and the end."""
    signed: list[str] = []
    plain = HeadKeeper._sign

    def noted(self: HeadKeeper) -> None:
        signed.append(threading.current_thread().name)
        plain(self)

    monkeypatch.setattr(HeadKeeper, "_sign", noted)
    with inside(tmp_path) as running:
        signed.clear()
        for _ in range(3):
            running.call(scenario())
        assert set(signed) <= {"ledger-heads"}


def damaged(running: Inside) -> None:
    connection = sqlite3.connect(running.ledger_directory / "stream-00.sqlite", isolation_level=None)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute("UPDATE entries SET header = CAST(replace(header, 'call', 'cell') AS BLOB) WHERE sequence = 5")
    connection.close()


def test_au_29_a_finding_is_logged_recorded_and_shown_and_the_service_still_answers(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with inside(tmp_path) as running:
        for _ in range(2):
            running.call(scenario())
        damaged(running)
        with caplog.at_level(logging.ERROR, logger="cds.service"):
            running.desk.heads._try_round(signing=True)
        assert "no head is signed: stream 00, entry 5" in caplog.text
        ready = running.request("GET", "/health/ready")
        assert (ready.status_code, json.loads(ready.content)["heads"]) == (200, "not signed")
        assert running.call(scenario()).status_code == 200
        (found,) = LedgerReader(running.ledger_directory).list(Filter(kind="finding"))
        assert "entry 5" in found.header["facts"]["what"]
    assert [read_head(line).number for _, line in stored_lines(tmp_path / "ledger")][-1] <= 2
    with pytest.raises(LedgerDamaged):
        Desk(running.settings)
