"""Appending: what is acknowledged is in the chain, what fails is told (AU-01, AU-11, AU-21, L-3, L-22)."""

from __future__ import annotations

import asyncio
import sqlite3
import time
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cds.audit import stream as stream_module
from cds.audit.errors import LedgerDamaged, LedgerError, LedgerUnavailable
from cds.audit.pseudonyms import SECRET_FILE
from cds.audit.read import Filter, LedgerReader
from cds.audit.record import Kind, RecordDraft, blank_token
from cds.audit.store import Ledger
from cds.audit.stream import PROTECTED, Stream
from cds.audit.verify import verify
from tests.audit.ledgers import NOW_MS, call, filled, opened, start


def fail(ledger: Ledger, *, failing: bool = True) -> None:
    """Make the store refuse every write, as a read-only file system does."""
    ledger.run(lambda stream: stream.connection.execute(f"PRAGMA query_only={'ON' if failing else 'OFF'}").fetchall())


def kinds(directory: Path) -> list[str]:
    return [entry.kind for entry in LedgerReader(directory).entries("00")]


def test_au_01_every_outcome_gives_one_record(tmp_path: Path) -> None:
    async def serve() -> list[int | None]:
        receipts = [await ledger.append(call(status=status, outcome="x")) for status in (200, 400, 404, 412, 500, 503)]
        return [receipt.sequence for receipt in receipts if receipt.state == "stored"]

    with opened(tmp_path) as ledger:
        assert asyncio.run(serve()) == [2, 3, 4, 5, 6, 7]
    entries = LedgerReader(tmp_path).list(Filter(kind="call"), newest_first=False)
    assert [entry.header["status"] for entry in entries] == [200, 400, 404, 412, 500, 503]
    assert verify(tmp_path).ok


def test_au_01_many_waiting_calls_share_commits_and_keep_their_order(tmp_path: Path) -> None:
    async def serve() -> list[int]:
        receipts = await asyncio.gather(*(ledger.append(call(request_id=f"r{n}")) for n in range(500)))
        return [receipt.sequence or 0 for receipt in receipts]

    with opened(tmp_path) as ledger:
        assert asyncio.run(serve()) == list(range(2, 502))
    entries = list(LedgerReader(tmp_path).entries("00"))[1:]
    assert [entry.header["request_id"] for entry in entries] == [f"r{n}" for n in range(500)]
    assert verify(tmp_path).records == 501


def test_rows_that_go_before_a_call_share_its_transaction(tmp_path: Path) -> None:
    sizes: list[int] = []
    real = Stream.append

    def counting(self: Stream, prepared: Any, blobs: Any = ()) -> Any:
        sizes.append(len(prepared))
        return real(self, prepared, blobs)

    with opened(tmp_path) as ledger, pytest.MonkeyPatch.context() as patch:
        patch.setattr(Stream, "append", counting)
        for _ in range(20):
            asyncio.run(ledger.append(call(), [RecordDraft(Kind.DELIVERED, NOW_MS)]))
    assert sizes == [2] * 20
    assert kinds(tmp_path)[1:] == ["delivered", "call"] * 20


def test_a_row_before_a_call_that_breaks_the_format_costs_only_itself(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger:
        receipt = asyncio.run(ledger.append(call(), [RecordDraft(Kind.DELIVERED, NOW_MS, hashes={"software": "no hash"})]))
    assert receipt.state == "stored" and kinds(tmp_path) == ["start", "call", "gap"]


def test_au_01_under_refuse_there_is_no_acknowledgement_without_a_record(tmp_path: Path) -> None:
    with opened(tmp_path, on_failure="refuse") as ledger:
        fail(ledger)
        with pytest.raises(LedgerUnavailable):
            asyncio.run(ledger.append(call()))
        assert not ledger.health().ready
        fail(ledger, failing=False)
        assert ledger.append_sync(call()).state == "stored"
        ledger.run(lambda stream: None)
        assert ledger.health().ready and ledger.health().lost == 1
    gap = LedgerReader(tmp_path).list(Filter(kind="gap"))[0]
    assert gap.header["facts"] == {"lost": 1, "first_ms": NOW_MS + 1, "last_ms": NOW_MS + 1}


def test_au_01_under_answer_the_spool_takes_over_and_is_brought_in_later(tmp_path: Path) -> None:
    with opened(tmp_path / "ledger", spool_directory=tmp_path / "spool") as ledger:
        fail(ledger)
        late = call(request_id="late")
        assert asyncio.run(ledger.append(late)).state == "spooled"
        assert ledger.health().spooled_waiting == 1 and not ledger.health().ready
        fail(ledger, failing=False)
        assert ledger.append_sync(call(request_id="next")).state == "stored"
        ledger.run(lambda stream: None)
        assert ledger.health().spooled_waiting == 0 and ledger.health().ready
    record = LedgerReader(tmp_path / "ledger").show("late")
    assert record is not None
    assert record.header["spooled_ms"] == NOW_MS + 1 and record.received_ms == late.received_ms
    assert dict(record.parts) == dict(late.evidence)
    assert verify(tmp_path / "ledger").ok


def test_control_au_01_without_a_spool_the_record_is_lost_and_counted(tmp_path: Path) -> None:
    with opened(tmp_path, spool_bytes=100) as ledger:
        fail(ledger)
        assert ledger.append_sync(call()).state == "lost"
        assert ledger.append_sync(call()).state == "lost"
        ledger.append_nowait(RecordDraft(Kind.DELIVERED, NOW_MS))
        fail(ledger, failing=False)
        assert ledger.append_sync(call()).state == "stored"
    assert LedgerReader(tmp_path).list(Filter(kind="gap"))[0].header["facts"]["lost"] == 3
    assert verify(tmp_path).ok


def broken(self: Stream, prepared: object, blobs: object = ()) -> None:
    raise sqlite3.OperationalError("disk I/O error")


def test_spool_left_by_a_process_that_ended_is_brought_in_once(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger, pytest.MonkeyPatch.context() as patch:
        patch.setattr(Stream, "append", broken)
        for n in range(3):
            assert ledger.append_sync(call(request_id=f"late-{n}")).state == "spooled"
        ledger.close()
    spooled = (tmp_path / "spool-00.bin").read_bytes()
    filled(tmp_path, 1)
    assert kinds(tmp_path) == ["start", "start", "call", "call", "call", "call"]
    (tmp_path / "spool-00.bin").write_bytes(spooled)  # as if the process had ended before the spool was emptied
    filled(tmp_path, 1)
    assert kinds(tmp_path).count("call") == 5
    assert verify(tmp_path).ok


def test_control_without_the_salts_a_spooled_record_is_doubled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stream, "recent_salts", lambda self, count: set())
    with pytest.raises(AssertionError):
        test_spool_left_by_a_process_that_ended_is_brought_in_once(tmp_path)


def test_what_was_spooled_is_brought_in_without_new_calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cds.audit.store.RETRY_SECONDS", 0.02)
    with opened(tmp_path) as ledger:
        fail(ledger)
        assert ledger.append_sync(call()).state == "spooled"
        for _ in range(200):
            if ledger.health().ready:
                break
            time.sleep(0.01)
        assert ledger.health().ready and ledger.health().spooled_waiting == 0


def test_a_draft_that_breaks_the_format_costs_no_other_record(tmp_path: Path) -> None:
    async def serve() -> list[object]:
        drafts = [call(), call(cards=("no uuid",)), call()]
        return list(await asyncio.gather(*(ledger.append(draft) for draft in drafts), return_exceptions=True))

    with opened(tmp_path) as ledger:
        outcomes = asyncio.run(serve())
    assert isinstance(outcomes[1], ValueError)
    assert kinds(tmp_path) == ["start", "call", "call"]


def test_au_03_token_is_in_no_file_of_the_ledger(tmp_path: Path) -> None:
    token = "secret-token-0123456789"
    body = b'{"fhirAuthorization":{"access_token":"%s"},"x":"%s"}' % (token.encode(), token.encode())
    with opened(tmp_path) as ledger:
        ledger.append_sync(call(request=blank_token(body)))
        fail(ledger)
        ledger.append_sync(call(request=blank_token(body)))
        assert not any(token.encode() in path.read_bytes() for path in tmp_path.iterdir() if path.is_file())


def test_au_08_evidence_comes_back_byte_for_byte(tmp_path: Path) -> None:
    parts = {"answer": b'{"cards":[{"summary":"\xc3\xa9"}]}', "fetched.0": bytes(range(256)), "empty": b""}
    with opened(tmp_path) as ledger:
        receipt = ledger.append_sync(call(evidence=parts, request=blank_token(b'{"hook":"order-sign"}')))
    record = LedgerReader(tmp_path).get("00", receipt.sequence or 0)
    assert record is not None and record.hash == receipt.hash
    assert record.parts == {**parts, "request": b'{"hook":"order-sign"}'}


def test_au_09_software_and_knowledge_are_kept_once_by_their_hash(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger:
        digest = ledger.keep_blob("knowledge", b"[parameters]", received_ms=NOW_MS)
        assert ledger.keep_blob("knowledge", b"[parameters]", received_ms=NOW_MS) == digest
        ledger.append_sync(call(hashes={"knowledge": digest}))
    reader = LedgerReader(tmp_path)
    assert reader.blob(digest) == b"[parameters]" and reader.blob("00" * 32) is None
    assert kinds(tmp_path) == ["start", "blob", "call"]
    assert verify(tmp_path).ok


def test_chain_goes_on_after_a_restart_in_the_lowest_free_stream(tmp_path: Path) -> None:
    filled(tmp_path, 3)
    with opened(tmp_path) as first, opened(tmp_path) as second:
        assert (first.stream, second.stream) == ("00", "01")
        assert first.append_sync(call()).sequence == 6
        assert second.append_sync(call()).sequence == 2
        with pytest.raises(LedgerError, match="in use"):
            opened(tmp_path, slots=2)
    with opened(tmp_path) as again:
        assert again.stream == "00"
    assert verify(tmp_path).ok


def tampered(directory: Path, statement: str) -> None:
    """Change a stream from outside, triggers out of the way."""
    connection = sqlite3.connect(directory / "stream-00.sqlite")
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute(statement)
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET header = CAST(replace(header, '200', '500') AS BLOB) WHERE sequence = 3",
        "UPDATE entries SET hash = zeroblob(32) WHERE sequence = (SELECT max(sequence) FROM entries)",
        "UPDATE evidence SET body = zeroblob(10) WHERE sequence = 4",
        "DELETE FROM entries WHERE sequence = 3",
        "DELETE FROM entries WHERE sequence = (SELECT max(sequence) FROM entries)",
        "DELETE FROM evidence WHERE sequence = 4",
    ],
)
def test_au_29_a_changed_end_is_not_continued(tmp_path: Path, statement: str) -> None:
    filled(tmp_path, 4)
    tampered(tmp_path, statement)
    with pytest.raises(LedgerDamaged, match="stream 00"):
        opened(tmp_path)


def test_control_au_29_without_the_check_it_is_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "faults", lambda record: [])
    with pytest.raises(pytest.fail.Exception):
        test_au_29_a_changed_end_is_not_continued(tmp_path, "UPDATE evidence SET body = zeroblob(10) WHERE sequence = 4")


def test_a_lost_secret_of_the_pseudonyms_stops_the_start(tmp_path: Path) -> None:
    filled(tmp_path, 1)
    (tmp_path / SECRET_FILE).unlink()
    with pytest.raises(LedgerDamaged, match="missing"):
        opened(tmp_path)


def test_a_newer_layout_is_left_alone(tmp_path: Path) -> None:
    filled(tmp_path, 1)
    tampered(tmp_path, "PRAGMA user_version = 99")
    with pytest.raises(LedgerError, match="layout 99"):
        opened(tmp_path)


def test_files_are_for_the_service_alone(tmp_path: Path) -> None:
    with opened(tmp_path / "ledger") as ledger:
        ledger.append_sync(call())
        files = list((tmp_path / "ledger").iterdir())
        assert {"stream-00.sqlite", "stream-00.sqlite-wal", SECRET_FILE} <= {path.name for path in files}
        assert {path.name for path in files if path.stat().st_mode & 0o077} == set()


COLUMNS = {"entries": "header", "evidence": "body", "cards": "sequence", "blobs": "body"}


def refused_statements(connection: sqlite3.Connection) -> list[str]:
    refused = []
    for table in PROTECTED:
        column = COLUMNS[table]
        for statement in (f"UPDATE {table} SET {column} = {column}", f"DELETE FROM {table}"):
            try:
                connection.execute(statement)
            except sqlite3.DatabaseError:
                refused.append(statement.split()[0])
    return refused


def with_something_everywhere(directory: Path) -> None:
    filled(directory, 2)
    with opened(directory) as ledger:
        ledger.keep_blob("knowledge", b"x", received_ms=NOW_MS)


def test_au_21_nobody_updates_or_deletes_through_the_database(tmp_path: Path) -> None:
    with_something_everywhere(tmp_path)
    connection = sqlite3.connect(tmp_path / "stream-00.sqlite", isolation_level=None)
    assert refused_statements(connection) == ["UPDATE", "DELETE"] * len(PROTECTED)
    for table in ("entries", "evidence", "blobs"):
        with pytest.raises(sqlite3.DatabaseError, match="append-only"):
            connection.execute(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1")
    with pytest.raises(sqlite3.DatabaseError, match="without a gap"):
        connection.execute("INSERT INTO entries SELECT sequence + 100, format, header, commitment, previous, hash FROM entries")
    connection.close()
    assert verify(tmp_path).ok


def test_au_21_the_writer_itself_is_denied_both(tmp_path: Path) -> None:
    with_something_everywhere(tmp_path)
    with opened(tmp_path) as ledger:
        assert ledger.run(lambda stream: refused_statements(stream.connection)) == ["UPDATE", "DELETE"] * 4
        with pytest.raises(sqlite3.DatabaseError, match="not authorized"):
            ledger.run(lambda stream: stream.connection.execute("DROP TRIGGER entries_no_delete"))


def test_control_au_21_without_triggers_and_denial_rows_can_go(tmp_path: Path) -> None:
    with_something_everywhere(tmp_path)
    tampered(tmp_path, "SELECT 1")
    connection = sqlite3.connect(tmp_path / "stream-00.sqlite", isolation_level=None)
    assert refused_statements(connection) == []
    connection.close()


def test_au_20_listing_filters_and_finds(tmp_path: Path) -> None:
    card = str(uuid.uuid4())
    with opened(tmp_path) as first, opened(tmp_path) as second:
        patient = first.pseudonyms.patient(None, "p-1")
        assert patient == second.pseudonyms.patient(None, "p-1")
        first.append_sync(call(received_ms=NOW_MS + 10, patient=patient, request_id="a"))
        second.append_sync(call(received_ms=NOW_MS + 20, patient=patient, cards=(card,), request_id="b"))
        first.append_sync(call(received_ms=NOW_MS + 30, advisories=("low-glucose",), request_id="c"))
        reader = LedgerReader(tmp_path)

        def ids(wanted: Filter, **how: bool) -> list[str]:
            return [entry.header["request_id"] for entry in reader.list(wanted, **how)]

        assert ids(Filter(kind="call")) == ["c", "b", "a"]
        assert ids(Filter(patient=patient), newest_first=False) == ["a", "b"]
        assert ids(Filter(advisory="low-glucose")) == ["c"]
        assert ids(Filter(kind="call", since_ms=NOW_MS + 20, until_ms=NOW_MS + 30)) == ["b"]
        found = [reader.show(name) for name in ("01:2", "01/2", card.upper(), "b")]
        assert {record.id if record else None for record in found} == {"01:2"}
        assert reader.show("00:99") is None and reader.show("nothing") is None and reader.by_card_uuid("x") is None


def test_log_stays_short_while_records_of_a_thousand_resources_come(tmp_path: Path) -> None:
    """F-26: the write-ahead log stays under 64 MB without automatic checkpoints."""
    with opened(tmp_path) as ledger:
        draft = replace(call(cards=()), evidence={"request": bytes(700_000)})
        for _ in range(120):
            ledger.append_nowait(draft)
        ledger.append_sync(call())
        assert (tmp_path / "stream-00.sqlite-wal").stat().st_size < 64 * 1024 * 1024


def test_control_log_grows_without_the_writers_checkpoints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stream, "checkpoint", lambda self: None)
    with pytest.raises(AssertionError):
        test_log_stays_short_while_records_of_a_thousand_resources_come(tmp_path)


def test_closed_ledger_refuses(tmp_path: Path) -> None:
    ledger = opened(tmp_path)
    ledger.close()
    with pytest.raises(LedgerUnavailable):
        ledger.append_sync(start())
