"""Each way to tamper with the files, and what verification says of it (AU-21, AU-27, L-21). Each has its control: the
check taken out."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from cds.audit import verify as verify_module
from cds.audit.read import LedgerReader
from cds.audit.record import entry_hash, leaf_hash
from cds.audit.verify import verify
from tests.audit.ledgers import NOW_MS, call, filled, opened

Tamper = Callable[[sqlite3.Connection], object]


def tampered(directory: Path, *steps: str | Tamper) -> None:
    connection = sqlite3.connect(directory / "stream-00.sqlite", isolation_level=None)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for step in steps:
        if isinstance(step, str):
            connection.execute(step)
        else:
            step(connection)
    connection.close()


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    filled(tmp_path, 8)
    with opened(tmp_path) as writer:
        writer.keep_blob("knowledge", b"[parameters]", received_ms=NOW_MS)
    assert verify(tmp_path).ok
    return tmp_path


def flip(table: str, column: str, where: str) -> Tamper:
    """Flip the lowest bit of the first byte, then of a middle one, then of the last, one after the other."""

    def step(connection: sqlite3.Connection) -> None:
        key = "hash" if table == "blobs" else "sequence"
        (name, value) = connection.execute(f"SELECT {key}, {column} FROM {table} WHERE {where}").fetchone()
        for at in {0, len(value) // 2, len(value) - 1}:
            changed = bytearray(value)
            changed[at] ^= 1
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (bytes(changed), name))

    return step


def rewritten(connection: sqlite3.Connection) -> None:
    """One header changed, and every hash after it made to fit: what a careful insider does."""
    rows = connection.execute("SELECT sequence, header, commitment, previous, hash FROM entries WHERE sequence >= 5").fetchall()
    previous = rows[0][3]
    for sequence, header, committed, _, _ in rows:
        header = header.replace(b'"status":200', b'"status":500')
        digest = entry_hash(previous, leaf_hash(header, committed))
        connection.execute(
            "UPDATE entries SET header = ?, previous = ?, hash = ? WHERE sequence = ?",
            (header, previous, digest, sequence),
        )
        previous = digest


SWAP = (
    "UPDATE {0} SET sequence = -1 WHERE sequence = 3",
    "UPDATE {0} SET sequence = 3 WHERE sequence = 4",
    "UPDATE {0} SET sequence = 4 WHERE sequence = -1",
)
CLASSES: dict[str, tuple[tuple[str | Tamper, ...], str]] = {
    "header byte": ((flip("entries", "header", "sequence = 5"),), "00:5"),
    "commitment byte": ((flip("entries", "commitment", "sequence = 5"),), "00:5"),
    "previous byte": ((flip("entries", "previous", "sequence = 5"),), "00:5"),
    "hash byte": ((flip("entries", "hash", "sequence = 5"),), "00:5"),
    "format": (("UPDATE entries SET format = 2 WHERE sequence = 5",), "00:5"),
    "evidence byte": ((flip("evidence", "body", "sequence = 5"),), "00:5"),
    "salt byte": ((flip("evidence", "salt", "sequence = 5"),), "00:5"),
    "evidence gone": (("DELETE FROM evidence WHERE sequence = 5",), "00:5: the evidence is missing"),
    "evidence swapped": (tuple(step.format("evidence") for step in SWAP), "00:3"),
    "evidence added": (
        ("INSERT INTO evidence SELECT 999, encoding, salt, body FROM evidence LIMIT 1",),
        "00:999: evidence without an entry",
    ),
    "row deleted": (
        ("DELETE FROM entries WHERE sequence = 5", "DELETE FROM evidence WHERE sequence = 5"),
        "record 5 is missing",
    ),
    "first row deleted": (
        ("DELETE FROM entries WHERE sequence = 1", "DELETE FROM evidence WHERE sequence = 1"),
        "record 1 is missing",
    ),
    "rows deleted and closed up": (
        (
            "DELETE FROM entries WHERE sequence = 5",
            "DELETE FROM evidence WHERE sequence = 5",
            "UPDATE entries SET sequence = sequence - 1 WHERE sequence > 5",
            "UPDATE evidence SET sequence = sequence - 1 WHERE sequence > 5",
        ),
        "00:5",
    ),
    "row inserted": (
        (
            "INSERT INTO entries SELECT 100, format, header, commitment, previous, hash FROM entries WHERE sequence = 4",
            "INSERT INTO evidence SELECT 100, encoding, salt, body FROM evidence WHERE sequence = 4",
        ),
        "00:100",
    ),
    "rows reordered": (tuple(s.format(t) for t in ("entries", "evidence") for s in SWAP), "00:3"),
    "card look-up changed": (("DELETE FROM cards WHERE sequence = 5",), "00:5: the look-up of card"),
    "blob byte": ((flip("blobs", "body", "1"),), "is not what its hash says"),
    "blob gone": (("DELETE FROM blobs",), "is missing"),
    "blob added": (("INSERT INTO blobs VALUES (zeroblob(32), zeroblob(1))",), "was never announced"),
}


@pytest.mark.parametrize("name", CLASSES)
def test_au_21_tampering_is_found_and_named(ledger: Path, name: str) -> None:
    steps, said = CLASSES[name]
    tampered(ledger, *steps)
    outcome = verify(ledger)
    assert not outcome.ok
    assert any(said in str(finding) for finding in outcome.findings)


HASHED = [name for name in CLASSES if "byte" in name and "previous" not in name and "blob" not in name]


@pytest.mark.parametrize("name", [*HASHED, "format", "evidence gone", "evidence swapped"])
def test_control_without_the_hashes_nothing_is_found(ledger: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hash byte is then still seen by the entry that follows."""
    monkeypatch.setattr(verify_module, "faults", lambda record: [])
    monkeypatch.setattr(verify_module, "_beside", lambda *_: None)
    if name == "hash byte":
        tampered(ledger, "UPDATE entries SET hash = zeroblob(32) WHERE sequence = (SELECT max(sequence) FROM entries)")
        assert verify(ledger).ok
        return
    with pytest.raises(AssertionError):
        test_au_21_tampering_is_found_and_named(ledger, name)


@pytest.mark.parametrize("name", ["evidence added", "card look-up changed", "blob byte", "blob gone", "blob added"])
def test_control_without_the_look_beside_the_chain_nothing_is_found(ledger: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify_module, "_beside", lambda *_: None)
    with pytest.raises(AssertionError):
        test_au_21_tampering_is_found_and_named(ledger, name)


@pytest.mark.parametrize("name", ["row deleted", "first row deleted"])
def test_control_without_links_and_sequence_a_deleted_row_is_not_found(ledger: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The links are what sees it: with every record taken to follow the one before, and no look beside, it goes
    unseen."""
    monkeypatch.setattr(verify_module, "_missing", lambda expected, found: [])
    monkeypatch.setattr(verify_module, "_beside", lambda *_: None)
    monkeypatch.setattr(verify_module, "_follows", lambda record, previous: True)
    with pytest.raises(AssertionError):
        test_au_21_tampering_is_found_and_named(ledger, name)


def test_a_stream_taken_away_is_found(ledger: Path) -> None:
    with opened(ledger), opened(ledger) as second:
        second.append_sync(call())
    (ledger / "stream-00.sqlite").unlink()
    assert [str(finding) for finding in verify(ledger).findings] == ["stream 00: the stream's file is missing, though a later stream exists"]


def test_a_file_overwritten_in_the_middle_is_a_finding_not_a_crash(ledger: Path) -> None:
    path = ledger / "stream-00.sqlite"
    size = path.stat().st_size
    with path.open("r+b") as file:
        for at in range(4096, size, 1024):
            file.seek(at)
            file.write(b"\xff" * 64)
    assert not verify(ledger).ok


def test_au_27_end_cut_off_is_found_with_a_witness_only(ledger: Path) -> None:
    witness = verify(ledger).heads
    cut = ("DELETE FROM {} WHERE sequence > 6",)
    tampered(ledger, *(cut[0].format(table) for table in ("entries", "evidence", "cards")), "DELETE FROM blobs")
    alone = verify(ledger)
    assert alone.ok and any("cut off" in limit for limit in alone.limits)
    assert "the end was cut off" in str(verify(ledger, witness).findings[0])


def test_au_25_complete_rewrite_is_found_with_a_witness_only(ledger: Path) -> None:
    witness = verify(ledger).heads
    tampered(ledger, rewritten)
    alone = verify(ledger)
    assert alone.ok and any("written anew" in limit for limit in alone.limits)
    assert "not the one that the witness saw" in str(verify(ledger, witness).findings[0])


def test_witness_agrees_with_a_ledger_that_only_grew(ledger: Path) -> None:
    witness = verify(ledger).heads
    filled(ledger, 3)
    assert verify(ledger, witness).ok


def test_verification_runs_while_records_are_written(tmp_path: Path) -> None:
    with opened(tmp_path) as writer:
        for _ in range(5):
            for _ in range(40):
                writer.append_nowait(call())
            assert verify(tmp_path).ok


def test_a_copy_of_the_directory_is_a_whole_ledger(ledger: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    copy = tmp_path_factory.mktemp("copy") / "ledger"
    shutil.copytree(ledger, copy)
    assert verify(copy).heads == verify(ledger).heads
    assert len(list(LedgerReader(copy).records("00"))) == 11
