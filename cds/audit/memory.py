"""Override memory: what clinicians have overridden, shared by all workers of a host (L-26, C-05).

A small table derived from the ledger's feedback records and rebuilt from them at will; the rows that a call read go
into that call's record, so that a replay reads those and never the present state (L-17).
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Iterable
from contextlib import closing
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from cds.audit.record import Pseudonym

_TABLE = """
CREATE TABLE IF NOT EXISTS overrides (
    patient TEXT NOT NULL, encounter TEXT, user TEXT NOT NULL, advisory TEXT NOT NULL, indicator TEXT NOT NULL,
    fingerprint TEXT NOT NULL, at_ms INTEGER NOT NULL, reason TEXT
) STRICT
"""
_INDEXES = (
    "CREATE UNIQUE INDEX IF NOT EXISTS overrides_once ON overrides"
    " (patient, coalesce(encounter, ''), user, advisory, fingerprint, at_ms, coalesce(reason, ''))",
    "CREATE INDEX IF NOT EXISTS overrides_by_age ON overrides (at_ms)",
)


@dataclass(frozen=True, slots=True)
class MemoryRow:
    """One advisory that one user overrode for one patient. `at_ms`: when the feedback was received, ms since 1970 UTC.

    `fingerprint` names the inputs that decided, so that a changed input ends the silence; `encounter` is None where
    the call had none.
    """

    patient: Pseudonym
    encounter: Pseudonym | None
    user: Pseudonym
    advisory: str
    indicator: str
    fingerprint: str
    at_ms: int
    reason: str | None


COLUMNS = tuple(field.name for field in fields(MemoryRow))
WILL_MONITOR = "will-monitor"
"""The override reason that is a promise: what was overridden will be looked at again."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What one call read: the overrides of its user and encounter, and the promises to its patient, by whomever and wherever they were made (HZ-47)."""

    overrides: tuple[MemoryRow, ...] = ()
    promises: tuple[MemoryRow, ...] = ()


NOTHING_REMEMBERED = Remembered()


def rows_to_bytes(rows: Iterable[MemoryRow]) -> bytes:
    """Rows as canonical JSON: what a record holds as memory read, or as overrides remembered."""
    whole = [dict(zip(COLUMNS, astuple(row), strict=True)) for row in rows]
    return json.dumps(whole, ensure_ascii=True, sort_keys=True, separators=(",", ":")).encode("ascii")


def rows_from_bytes(body: bytes) -> tuple[MemoryRow, ...]:
    """The rows of `rows_to_bytes`. Raises ValueError, KeyError or TypeError for other bytes."""
    return tuple(MemoryRow(**{name: row[name] for name in COLUMNS}) for row in json.loads(body))


class OverrideMemory:
    """The table, in `memory.sqlite` under the ledger's directory. Thread-safe; the calls block, so use them in a
    thread."""

    def __init__(self, directory: Path) -> None:
        """Raises sqlite3.Error or OSError where the file cannot be opened."""
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        path = directory / "memory.sqlite"
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        self._lock = threading.Lock()
        self._connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        for pragma in ("busy_timeout=2000", "journal_mode=wal", "synchronous=NORMAL", "secure_delete=ON"):
            self._connection.execute(f"PRAGMA {pragma}").fetchall()
        for statement in (_TABLE, *_INDEXES):
            self._connection.execute(statement)

    def remember(self, rows: Iterable[MemoryRow]) -> None:
        """Add overrides; a row that is there already is not doubled. Every worker sees them at once."""
        with self._lock:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._insert(rows)
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def read(self, patient: Pseudonym, encounter: Pseudonym | None, user: Pseudonym, *, since_ms: int = 0) -> tuple[MemoryRow, ...]:
        """What this user overrode for this patient in this encounter at or after `since_ms`, in a fixed order.

        Without an encounter: what was overridden in calls that had none either; the caller gives the 24 h as
        `since_ms` (C-05).
        """
        with self._lock:
            found = self._connection.execute(
                f"SELECT {', '.join(COLUMNS)} FROM overrides"
                " WHERE patient = ? AND encounter IS ? AND user = ? AND at_ms >= ? ORDER BY at_ms, advisory, fingerprint, reason",
                (patient, encounter, user, since_ms),
            ).fetchall()
        return tuple(MemoryRow(*row) for row in found)

    def promises(self, patient: Pseudonym, *, since_ms: int) -> tuple[MemoryRow, ...]:
        """What anybody overrode for this patient with a promise to monitor at or after `since_ms`, in a fixed order: a promise outlives a shift and a move."""
        with self._lock:
            found = self._connection.execute(
                f"SELECT {', '.join(COLUMNS)} FROM overrides"
                " WHERE patient = ? AND reason = ? AND at_ms >= ? ORDER BY at_ms, advisory, fingerprint, user, coalesce(encounter, '')",
                (patient, WILL_MONITOR, since_ms),
            ).fetchall()
        return tuple(MemoryRow(*row) for row in found)

    def forget_before(self, at_ms: int) -> int:
        """Purge overrides older than `at_ms`; returns how many."""
        with self._lock:
            return self._connection.execute("DELETE FROM overrides WHERE at_ms < ?", (at_ms,)).rowcount

    def rebuild(self, rows: Iterable[MemoryRow]) -> None:
        """Replace everything, in one transaction, by `rows` (see `cds.audit.feedback.overrides_in`)."""
        with self._lock:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.execute("DELETE FROM overrides")
                self._insert(rows)
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def _insert(self, rows: Iterable[MemoryRow]) -> None:
        places = ", ".join("?" * len(COLUMNS))
        statement = f"INSERT OR IGNORE INTO overrides ({', '.join(COLUMNS)}) VALUES ({places})"
        with closing(self._connection.executemany(statement, (astuple(row) for row in rows))):
            pass

    def close(self) -> None:
        with self._lock:
            self._connection.close()
