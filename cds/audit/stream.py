"""One stream: one hash chain in one SQLite file, written by one process at a time.

Tables `entries` (chained, for ever) and `evidence` (salt and bytes, hashed apart) hold the records; `cards` is a
look-up derived from the headers; `blobs` holds what many records refer to (parameter set, site map, configuration),
once by content hash, each announced by a record of kind "blob" so that a missing one is noticed.

Nothing here updates or deletes: the writer's connection is denied both, and triggers refuse them to every other
connection.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cds.audit.errors import LedgerDamaged, LedgerError
from cds.audit.record import FORMAT, GENESIS, Prepared, Record, commitment, entry_hash, faults, header_bytes, leaf_hash

SCHEMA = 1
APPLICATION_ID = 0x54525654
TAIL_CHECKED = 32
"""How many entries at the end are verified before a chain is continued; `verify` checks all."""

_TABLES = """
CREATE TABLE entries (
    sequence INTEGER PRIMARY KEY, format INTEGER NOT NULL, header BLOB NOT NULL, commitment BLOB NOT NULL, previous
    BLOB NOT NULL, hash BLOB NOT NULL ) STRICT; CREATE TABLE evidence (sequence INTEGER PRIMARY KEY, encoding TEXT NOT
    NULL, salt BLOB NOT NULL, body BLOB NOT NULL) STRICT; CREATE TABLE cards (card TEXT NOT NULL, sequence INTEGER NOT
    NULL, PRIMARY KEY (card, sequence)) STRICT, WITHOUT ROWID; CREATE TABLE blobs (hash BLOB PRIMARY KEY, body BLOB
    NOT NULL) STRICT; CREATE TRIGGER entries_in_order BEFORE INSERT ON entries WHEN NEW.sequence IS NOT (SELECT
    coalesce(max(sequence), 0) + 1 FROM entries) BEGIN SELECT raise(ABORT, 'the ledger is append-only: entries follow
    each other without a gap'); END; CREATE TRIGGER evidence_in_order BEFORE INSERT ON evidence WHEN NEW.sequence <=
    (SELECT coalesce(max(sequence), 0) FROM evidence) BEGIN SELECT raise(ABORT, 'the ledger is append-only: evidence
    is written once'); END; CREATE TRIGGER blobs_once BEFORE INSERT ON blobs WHEN EXISTS (SELECT 1 FROM blobs WHERE
    hash = NEW.hash) BEGIN SELECT raise(ABORT, 'the ledger is append-only: a blob is written once'); END;
"""
PROTECTED = ("entries", "evidence", "blobs", "cards")
_TRIGGERS = "".join(
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT raise(ABORT, 'the ledger is append-only'); END;\n"
    for table in PROTECTED
    for verb in ("UPDATE", "DELETE")
)

PRAGMAS: Mapping[str, str] = {
    "journal_mode": "wal",
    "synchronous": "FULL",
    "fullfsync": "ON",
    "wal_autocheckpoint": "0",
    "cache_size": "-16384",
    "trusted_schema": "OFF",
    "busy_timeout": "2000",
}
REQUIRED: Mapping[str, int | str] = {"journal_mode": "wal", "synchronous": 2, "fullfsync": 1, "wal_autocheckpoint": 0}
"""What must be read back from the live connection; synchronous 2 is FULL: the log is synced before a commit returns."""

_DENIED = {
    sqlite3.SQLITE_UPDATE,
    sqlite3.SQLITE_DELETE,
    sqlite3.SQLITE_DROP_TABLE,
    sqlite3.SQLITE_DROP_TRIGGER,
    sqlite3.SQLITE_ALTER_TABLE,
    sqlite3.SQLITE_ATTACH,
}
_ENTRY = "INSERT INTO entries (sequence, format, header, commitment, previous, hash) VALUES (?, ?, ?, ?, ?, ?)"
_EVIDENCE = "INSERT INTO evidence (sequence, encoding, salt, body) VALUES (?, 'plain', ?, ?)"
SELECT_RECORD = (
    "SELECT entries.sequence, format, header, commitment, previous, hash, salt, body FROM entries LEFT JOIN evidence ON evidence.sequence = entries.sequence"
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a record stands: its sequence in the stream, and the chain's hash there."""

    sequence: int
    hash: bytes


class Stream:
    """The writing end of one stream. Not thread-safe: the writer thread owns it."""

    def __init__(self, directory: Path, slot: int, lock: int, pragmas: Mapping[str, str] = PRAGMAS) -> None:
        self.slot = slot
        self.name = f"{slot:02d}"
        self.path = directory / f"stream-{self.name}.sqlite"
        self._lock = lock
        self._pragmas = pragmas
        self._waiting_bytes = 0
        self.connection = self._connect()
        self.tail = self._checked_tail(self.connection)

    @classmethod
    def claim(cls, directory: Path, slots: int, pragmas: Mapping[str, str] = PRAGMAS) -> Stream:
        """Take the lowest free slot and continue its chain (L-22).

        Raises LedgerError where all slots are taken or the file was written by a newer release, LedgerDamaged where
        the end of the chain does not agree with itself, sqlite3.Error or OSError where the file cannot be opened.
        """
        for slot in range(slots):
            lock = os.open(directory / f"stream-{slot:02d}.lock", os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(lock)
                continue
            try:
                return cls(directory, slot, lock, pragmas)
            except BaseException:
                os.close(lock)
                raise
        raise LedgerError(f"all {slots} streams of {directory} are in use by other processes")

    def _connect(self) -> sqlite3.Connection:
        # SQLite gives its -wal and -shm files the same mode.
        os.close(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600))
        connection = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
        try:
            for name, value in self._pragmas.items():
                connection.execute(f"PRAGMA {name}={value}").fetchall()
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version == 0:
                connection.executescript(
                    f"BEGIN IMMEDIATE; {_TABLES} {_TRIGGERS} PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version={SCHEMA}; COMMIT;"
                )
            elif version != SCHEMA:
                raise LedgerError(f"{self.path} has layout {version}, this release writes layout {SCHEMA}; start the release that wrote it")
            connection.set_authorizer(_authorize)
        except sqlite3.DatabaseError as error:
            connection.close()
            if isinstance(error, sqlite3.OperationalError):
                raise
            raise LedgerDamaged(f"{self.path} is not a readable ledger: {error}") from error
        except BaseException:
            connection.close()
            raise
        return connection

    def _checked_tail(self, connection: sqlite3.Connection) -> Place:
        try:
            rows = connection.execute(f"{SELECT_RECORD} ORDER BY entries.sequence DESC LIMIT {TAIL_CHECKED}").fetchall()
            loose = connection.execute("SELECT max(sequence) FROM evidence").fetchone()[0]
        except sqlite3.DatabaseError as error:
            raise LedgerDamaged(f"stream {self.name}: the end of the ledger cannot be read ({error}); see `trivet ledger verify`") from error
        records = [record_of(self.name, row) for row in rows]
        for at, record in enumerate(records):
            found = faults(record)
            before = records[at + 1] if at + 1 < len(records) else None
            if before is not None and (record.sequence != before.sequence + 1 or record.previous != before.hash):
                found.append("the entry does not follow the one before")
            if found:
                raise LedgerDamaged(
                    f"stream {self.name}, entry {record.sequence}: {'; '.join(found)}. A chain that was changed is not"
                    " continued: keep the files as they are and see `trivet ledger verify`"
                )
        tail = Place(records[0].sequence, records[0].hash) if records else Place(0, GENESIS)
        if (loose or 0) > tail.sequence:
            raise LedgerDamaged(f"stream {self.name}: evidence {loose} has no entry; see `trivet ledger verify`")
        return tail

    def append(self, prepared: Sequence[Prepared], blobs: Sequence[tuple[bytes, bytes]] = ()) -> list[Place]:
        """Append the records in this order, in one durable transaction. Raises sqlite3.Error; then nothing was
        appended."""
        entries: list[tuple[int, int, bytes, bytes, bytes, bytes]] = []
        places: list[Place] = []
        evidence: list[tuple[int, bytes, bytes]] = []
        cards: list[tuple[str, int]] = []
        tail = self.tail
        for one in prepared:
            sequence = tail.sequence + 1
            header = header_bytes(one.members, self.name, sequence)
            committed = commitment(one.salt, one.evidence)
            digest = entry_hash(tail.hash, leaf_hash(header, committed))
            entries.append((sequence, FORMAT, header, committed, tail.hash, digest))
            evidence.append((sequence, one.salt, one.evidence))
            cards += ((card, sequence) for card in dict.fromkeys(one.cards))
            tail = Place(sequence, digest)
            places.append(tail)
        connection = self.connection
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(_ENTRY, entries)
            connection.executemany(_EVIDENCE, evidence)
            if cards:
                connection.executemany("INSERT INTO cards (card, sequence) VALUES (?, ?)", cards)
            for digest_and_body in blobs:
                connection.execute("INSERT INTO blobs (hash, body) VALUES (?, ?)", digest_and_body)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self.tail = tail
        self._waiting_bytes += sum(len(body) for _, _, body in evidence) + 4 * 4096 + 1024 * len(entries)
        return places

    def has_blob(self, digest: bytes) -> bool:
        return self.connection.execute("SELECT 1 FROM blobs WHERE hash = ?", (digest,)).fetchone() is not None

    def recent_salts(self, count: int) -> set[bytes]:
        """The salts of the last `count` records: which of some spooled records are already here."""
        return {row[0] for row in self.connection.execute("SELECT salt FROM evidence ORDER BY sequence DESC LIMIT ?", (count,))}

    @property
    def waiting_bytes(self) -> int:
        """About how much of the write-ahead log is not yet in the database file."""
        return self._waiting_bytes

    def checkpoint(self) -> None:
        """Copy the write-ahead log into the database file. A reader may keep part of it waiting; that part comes next
        time."""
        row = self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        self._waiting_bytes = max(0, (row[1] - row[2]) * 4096)

    def live_settings(self) -> dict[str, int | str]:
        """The settings of the connection in use, as SQLite itself reports them (L-34)."""
        return {name: self.connection.execute(f"PRAGMA {name}").fetchone()[0] for name in REQUIRED}

    def require_durable(self) -> None:
        """Raise LedgerError where the live connection would acknowledge a record before it is on disk."""
        live = self.live_settings()
        wrong = [f"{name} is {live[name]}, must be {value}" for name, value in REQUIRED.items() if live[name] != value]
        if wrong:
            raise LedgerError(f"{self.path}: {'; '.join(wrong)}")

    def reopen(self) -> None:
        """A new connection after trouble; the tail is read again, for a commit that reported failure may have reached
        the log.

        Raises LedgerDamaged where the last record that was acknowledged is not in its place; then nothing more is
        appended.
        """
        self.connection.close()
        connection = self._connect()
        try:
            here = connection.execute("SELECT hash FROM entries WHERE sequence = ?", (self.tail.sequence,)).fetchone()
            if self.tail.sequence and (here is None or here[0] != self.tail.hash):
                raise LedgerDamaged(f"stream {self.name}: record {self.tail.sequence}, once stored, is not in its place")
            self.tail = self._checked_tail(connection)
        except BaseException:
            connection.close()
            raise
        self.connection = connection

    def close(self) -> None:
        """Close the file and give the slot free."""
        self.connection.close()
        os.close(self._lock)


def _authorize(action: int, first: str | None, second: str | None, database: str | None, trigger: str | None) -> int:
    return sqlite3.SQLITE_DENY if action in _DENIED else sqlite3.SQLITE_OK


def record_of(stream: str, row: tuple[int, int, bytes, bytes, bytes, bytes, bytes | None, bytes | None]) -> Record:
    """A row of SELECT_RECORD as a Record."""
    sequence, form, header, committed, previous, digest, salt, body = row
    return Record(form, stream, sequence, header, committed, previous, digest, salt, body)
