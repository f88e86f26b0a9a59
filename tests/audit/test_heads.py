"""The keeper of the heads: when it signs, what it copies to the witness, what it refuses to sign, and who takes over (AU-25, AU-29, L-6, L-21)."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import cds
from cds.audit import keeper as keeper_module
from cds.audit.errors import LedgerDamaged, LedgerError
from cds.audit.heads import HEADS_FILE, PRIVATE_FILE, PUBLIC_FILE, SigningKey, read_head, read_public_key, stored_lines, witness_lines
from cds.audit.keeper import HeadKeeper
from cds.audit.verify import verify
from tests.audit.ledgers import call, filled, opened
from tests.audit.signed import Place, said_by_verifier
from tests.audit.test_tampering import tampered


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def numbers(place: Place) -> list[int]:
    return [number for number, _ in stored_lines(place.ledger)]


def test_au_25_a_head_after_a_hundred_records_or_five_minutes(place: Place) -> None:
    keeper = place.keeper()
    with place.writer(keeper) as ledger:
        for appended, minutes, heads in ((98, 0, [1]), (1, 0, [1, 2]), (1, 0, [1, 2]), (0, 4.9, [1, 2]), (0, 0.2, [1, 2, 3]), (0, 60, [1, 2, 3])):
            for _ in range(appended):
                ledger.append_sync(call())
            place.now += int(minutes * 60_000)
            keeper.round()
            assert numbers(place) == heads
        place.now -= 7_200_000  # a clock that was put back does not keep a head from being signed
        ledger.append_sync(call())
        keeper.round()
        assert numbers(place) == [1, 2, 3, 4]
    keeper.close()
    heads = [read_head(line) for _, line in stored_lines(place.ledger)]
    assert all(head.signed and head.key == keeper.key.public for head in heads)
    assert [[each.size for each in head.streams] for head in heads] == [[], [100], [101], [102]]
    assert witness_lines(place.witness) == [head.line for head in heads]


def test_l_06_a_head_lists_every_stream(place: Place) -> None:
    keeper = place.keeper()
    with place.writer(keeper) as first, place.writer(keeper) as second:
        first.append_sync(call())
        second.append_sync(call())
        keeper.round(signing=True)
    keeper.close()
    last = read_head(stored_lines(place.ledger)[-1][1])
    assert [(each.stream, each.size) for each in last.streams] == [("00", 2), ("01", 2)]
    assert verify(place.ledger).ok and said_by_verifier(place) == []


def test_a_ledger_without_heads_gets_them_and_verifies_still(place: Place) -> None:
    """As the release before left it: no heads, no key named."""
    filled(place.ledger, 5)
    assert verify(place.ledger).ok and said_by_verifier(place) == []
    place.keeper().close()
    assert [each.size for each in read_head(stored_lines(place.ledger)[-1][1]).streams] == [6]
    assert verify(place.ledger).ok and said_by_verifier(place) == []


def test_one_process_keeps_the_heads_and_the_next_takes_over(place: Place) -> None:
    first, second = place.keeper(), place.keeper()
    with place.writer(first) as ledger:
        ledger.append_sync(call())
        second._try_round(signing=True)
        assert numbers(place) == [1]
        first.close()
        assert numbers(place) == [1, 2]
        ledger.append_sync(call())
        second._try_round(signing=True)
        assert numbers(place) == [1, 2, 3]
    second.close()
    assert verify(place.ledger, lines=witness_lines(place.witness)).ok


def test_control_without_the_lock_two_would_sign(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper_module.fcntl, "flock", lambda *_: None)
    with pytest.raises(AssertionError):
        test_one_process_keeps_the_heads_and_the_next_takes_over(place)


KEEPER = """
import sys, time, pathlib
from tests.audit.ledgers import call
from tests.audit.signed import Place
place = Place(pathlib.Path(sys.argv[1]))
keeper = place.keeper(records=5)
with place.writer(keeper) as ledger:
    while True:
        for _ in range(7):
            receipt = ledger.append_sync(call())
            print(receipt.stream, receipt.sequence, receipt.hash.hex(), flush=True)
        keeper._try_round()
"""


def worker(place: Place) -> subprocess.Popen[str]:
    root = str(Path(cds.__file__).parent.parent)
    return subprocess.Popen([sys.executable, "-c", KEEPER, str(place.root)], env={**os.environ, "PYTHONPATH": root}, stdout=subprocess.PIPE, text=True)


def test_au_28_killed_workers_leave_heads_that_agree(place: Place) -> None:
    """Two processes write and keep heads in turns; each is killed in the middle, three times over."""
    for _ in range(3):
        processes = [worker(place), worker(place)]
        for process in processes:
            assert process.stdout is not None
            for _ in range(40):
                process.stdout.readline()
        for process in processes:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        found = verify(place.ledger, lines=witness_lines(place.witness))
        assert found.ok and found.witnessed > 1
        assert said_by_verifier(place, witness=True) == []
    place.keeper().close()
    assert verify(place.ledger).uncovered == 0
    assert len(witness_lines(place.witness)) == len(numbers(place))


def test_a_witness_line_cut_short_is_written_again(place: Place) -> None:
    place.filled(3, 3)
    whole = place.witness.read_text()
    lines = whole.splitlines(keepends=True)
    place.witness.write_text("".join(lines[:-1]) + lines[-1][:200])
    place.keeper().close()
    assert witness_lines(place.witness) == [line for _, line in stored_lines(place.ledger)]
    assert verify(place.ledger, lines=witness_lines(place.witness)).ok
    assert said_by_verifier(place, witness=True) == []


def test_a_witness_that_cannot_be_written_gives_alarm_and_is_caught_up(place: Place) -> None:
    alarms: list[str] = []
    keeper = place.keeper(alarm=alarms.append)
    with place.writer(keeper) as ledger:
        place.witness.unlink()
        place.witness.parent.rmdir()
        ledger.append_sync(call())
        keeper._try_round(signing=True)
        keeper._try_round()
        assert len(alarms) == 1 and "FileNotFoundError" in alarms[0] and keeper.trouble == alarms[0]
        assert numbers(place) == [1, 2]
        place.witness.parent.mkdir()
        keeper._try_round()
        assert keeper.trouble is None
    keeper.close()
    assert witness_lines(place.witness) == [line for _, line in stored_lines(place.ledger)]


CUT = tuple(f"DELETE FROM {table} WHERE sequence > 5" for table in ("entries", "evidence", "cards"))
FORGED = "UPDATE entries SET header = CAST(replace(header, '200', '500') AS BLOB) WHERE sequence = {}"


def cut_end(place: Place) -> None:
    tampered(place.ledger, *CUT)


def cut_end_and_heads(place: Place) -> None:
    cut_end(place)
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    connection.execute("DROP TRIGGER heads_no_delete")
    connection.execute("DELETE FROM heads WHERE number > 2")
    connection.execute("DELETE FROM trees")
    connection.close()


def other_tail(place: Place) -> None:
    """The end cut off, and other records in its place."""
    cut_end(place)
    with opened(place.ledger) as ledger:
        for _ in range(8):
            ledger.append_sync(call())


def gone(place: Place) -> None:
    (place.ledger / "stream-00.sqlite").unlink()


def heads_changed(place: Place) -> None:
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    connection.execute("DROP TRIGGER heads_no_update")
    connection.execute("UPDATE heads SET line = replace(line, '\"made_ms\":17', '\"made_ms\":16') WHERE number = (SELECT max(number) FROM heads)")
    connection.close()


AT_START = {
    "end cut off": (cut_end, "the end was cut off"),
    "end cut off with its heads": (cut_end_and_heads, "restored from a backup"),
    "other records at the end": (other_tail, "not those that head"),
    "stream gone": (gone, "stream 00 is gone"),
    "head changed": (heads_changed, "not as it was signed"),
    "key of another": (lambda place: (place.keys / PRIVATE_FILE).unlink() or SigningKey.open(place.keys, make=True), "another key"),
    "key lost": (lambda place: (place.keys / PRIVATE_FILE).unlink(), "is missing, but heads were signed with it"),
    "key unreadable": (lambda place: (place.keys / PRIVATE_FILE).write_text("x"), "not a private key"),
}


@pytest.mark.parametrize("name", AT_START)
def test_l_21_what_does_not_agree_with_the_last_head_is_not_continued(place: Place, name: str) -> None:
    place.filled(4, 6)
    tamper, said = AT_START[name]
    tamper(place)
    with pytest.raises(LedgerDamaged, match=said):
        place.keeper()


@pytest.mark.parametrize("name", ["end cut off with its heads"])
def test_control_l_21_without_the_witness_it_is_continued(place: Place, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(HeadKeeper, "_check_witness", lambda *_: None)
    with pytest.raises(pytest.fail.Exception):
        test_l_21_what_does_not_agree_with_the_last_head_is_not_continued(place, name)


def test_a_restored_backup_starts_once_the_witness_is_set_aside_and_stays_provable(place: Place) -> None:
    place.filled(4, 6)
    cut_end_and_heads(place)
    kept = place.witness.rename(place.root / "kept.txt")
    place.keeper().close()
    assert verify(place.ledger).ok
    assert [str(f) for f in verify(place.ledger, lines=witness_lines(kept)).findings if "does not have" in str(f) or "cut off" in str(f)]


def test_trees_beside_the_heads_are_made_again_where_they_are_gone(place: Place) -> None:
    place.filled(4, 6)
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    connection.execute("UPDATE trees SET nodes = zeroblob(64)")
    connection.close()
    place.filled(2)
    assert verify(place.ledger, lines=witness_lines(place.witness)).ok


def test_au_29_what_changes_while_it_runs_gives_one_alarm_and_no_head(place: Place) -> None:
    alarms: list[str] = []
    keeper = place.keeper(alarm=alarms.append)
    with place.writer(keeper) as ledger:
        for _ in range(4):
            ledger.append_sync(call())
        keeper._try_round(signing=True)
        ledger.append_sync(call())
        ledger.append_sync(call())
        tampered(place.ledger, FORGED.format(6))
        for _ in range(3):
            keeper._try_round(signing=True)
        assert len(alarms) == 1 and "entry 6: it does not follow" in alarms[0]
        assert keeper.trouble == alarms[0]
    keeper.close()
    assert numbers(place) == [1, 2]


def test_control_au_29_without_the_look_at_what_is_signed_a_forged_entry_gets_a_head(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper_module, "entry_hash", lambda previous, leaf: next(hashes))
    keeper = place.keeper()
    with place.writer(keeper) as ledger:
        ledger.append_sync(call())
        tampered(place.ledger, FORGED.format(2))
        hashes = iter([entry.hash for entry in keeper._reader.entries("00")])
        keeper.round(signing=True)
    assert numbers(place) == [1, 2]


def test_the_thread_signs_by_itself(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper_module, "POLL_SECONDS", 0.01)
    keeper = place.keeper(records=3)
    keeper.start()
    with place.writer(keeper) as ledger:
        for _ in range(3):
            ledger.append_sync(call())
        deadline = time.monotonic() + 10
        while numbers(place)[-1] == 1 and time.monotonic() < deadline:
            time.sleep(0.01)
        assert numbers(place)[-1] > 1
    keeper.close()


def test_a_witness_that_never_answers_does_not_hold_up_the_end(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper_module, "POLL_SECONDS", 0.01)
    monkeypatch.setattr(keeper_module, "CLOSE_SECONDS", 0.1)
    hangs, goes_on = threading.Event(), threading.Event()
    keeper = place.keeper()

    def never() -> None:
        hangs.set()
        goes_on.wait(30)

    monkeypatch.setattr(keeper, "_tell_witness", never)
    keeper.start()
    assert hangs.wait(10)
    begun = time.monotonic()
    keeper.close()
    assert time.monotonic() - begun < 5
    goes_on.set()
    assert keeper._thread is not None
    keeper._thread.join()
    keeper._drop()


def test_heads_may_not_be_changed_through_the_database(place: Place) -> None:
    place.filled(1)
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    for statement in (
        "DELETE FROM heads", "UPDATE heads SET line = ''", "INSERT INTO heads VALUES (99, '')", "INSERT OR REPLACE INTO heads SELECT number, '' FROM heads",
    ):  # fmt: skip
        with pytest.raises(sqlite3.DatabaseError, match="append-only"):
            connection.execute(statement)
    connection.close()


def test_keys_heads_and_witness_are_for_the_service_alone(place: Place) -> None:
    place.filled(1)
    files = [place.keys, place.keys / PRIVATE_FILE, place.witness, place.ledger / HEADS_FILE]
    assert {path.name for path in files if path.stat().st_mode & 0o077} == set()
    assert read_public_key(place.keys / PUBLIC_FILE) == read_head(witness_lines(place.witness)[0]).key


@pytest.mark.parametrize("line", ["", "x", "0" * 128 + " {}", "0" * 128 + ' {"streams":[]}', "0" * 128 + " []"])
def test_what_is_not_a_head_is_said(line: str) -> None:
    with pytest.raises(LedgerDamaged, match="not the line of a signed head"):
        read_head(line)


def test_a_file_that_is_not_a_public_key_is_said(place: Place) -> None:
    file = place.root / "key.pem"
    file.write_text("x")
    with pytest.raises(LedgerError, match="not a public key"):
        read_public_key(file)


def test_heads_of_a_newer_release_are_left_alone(place: Place) -> None:
    place.filled(1)
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(LedgerError, match="layout 99"):
        place.keeper()
