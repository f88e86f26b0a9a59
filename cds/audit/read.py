"""The ledger as it is read: every stream, read-only, one after the other (SQLite attaches ten files at most).

Works while services write. Opens each file for each question, so that streams which appeared meanwhile are seen. For
listing, each stream is in the order of its chain; between streams the order is by the time received and claims no
more than that.
"""

from __future__ import annotations

import heapq
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from cds.audit.errors import LedgerError
from cds.audit.record import Entry, Pseudonym, Record
from cds.audit.stream import SCHEMA, SELECT_RECORD, record_of

_ID = re.compile(r"(\d\d)[:/](\d+)\Z")
_PAGE = 64


@dataclass(frozen=True, slots=True)
class Filter:
    """Which entries to list; None lets everything through. Times in ms since 1970 UTC: since <= received < until."""

    kind: str | None = None
    since_ms: int | None = None
    until_ms: int | None = None
    patient: Pseudonym | None = None
    user: Pseudonym | None = None
    advisory: str | None = None
    outcome: str | None = None
    purpose: str | None = None
    request_id: str | None = None

    def accepts(self, entry: Entry) -> bool:
        header = entry.header
        if self.since_ms is not None and entry.received_ms < self.since_ms:
            return False
        if self.until_ms is not None and entry.received_ms >= self.until_ms:
            return False
        if self.advisory is not None and self.advisory not in header.get("advisories", ()):
            return False
        wanted = (
            ("kind", self.kind),
            ("patient", self.patient),
            ("user", self.user),
            ("outcome", self.outcome),
            ("purpose", self.purpose),
            ("request_id", self.request_id),
        )
        return all(value is None or header.get(name) == value for name, value in wanted)


class LedgerReader:
    """Reads the ledger under one directory. Thread-safe; every method opens the files it needs."""

    def __init__(self, directory: Path) -> None:
        """Raises LedgerError where the directory does not exist; an empty one is an empty ledger."""
        if not directory.is_dir():
            raise LedgerError(f"there is no ledger at {directory}")
        self.directory = directory

    def streams(self) -> list[str]:
        """The names of the streams, sorted."""
        return sorted(path.stem.removeprefix("stream-") for path in self.directory.glob("stream-[0-9][0-9].sqlite"))

    @contextmanager
    def opened(self, stream: str) -> Iterator[sqlite3.Connection]:
        """One stream's file, read-only. Raises LedgerError where a newer release wrote it, sqlite3.Error where it
        cannot be read."""
        path = self.directory / f"stream-{stream}.sqlite"
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)) as connection:
            connection.execute("PRAGMA busy_timeout=2000")
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version not in (0, SCHEMA):
                raise LedgerError(f"{path} has layout {version}, this release reads layout {SCHEMA}")
            if version == SCHEMA:
                yield connection
            else:  # claimed, and its writer has not yet made the tables
                yield _nothing()

    def entries(self, stream: str, *, newest_first: bool = False, after: int = 0) -> Iterator[Entry]:
        """The entries of one stream in the order of its chain, those after sequence `after`, or all backwards. Read in
        pages, so that no reader holds up the writer."""
        order, beyond = ("DESC", "<") if newest_first else ("ASC", ">")
        at = 2**63 - 1 if newest_first else after
        with self.opened(stream) as connection:
            while True:
                rows = connection.execute(
                    f"SELECT sequence, format, header, commitment, previous, hash FROM entries"
                    f" WHERE sequence {beyond} ? ORDER BY sequence {order} LIMIT {_PAGE}",
                    (at,),
                ).fetchall()
                for sequence, form, header, committed, previous, digest in rows:
                    yield Entry(form, stream, sequence, header, committed, previous, digest)
                if len(rows) < _PAGE:
                    return
                at = rows[-1][0]

    def records(self, stream: str) -> Iterator[Record]:
        """The whole records of one stream in the order of its chain."""
        at = 0
        with self.opened(stream) as connection:
            while True:
                count = 0
                query = f"{SELECT_RECORD} WHERE entries.sequence > ? ORDER BY entries.sequence LIMIT {_PAGE}"
                for row in connection.execute(query, (at,)):
                    count, at = count + 1, row[0]
                    yield record_of(stream, row)
                if count < _PAGE:
                    return

    def list(self, wanted: Filter | None = None, *, newest_first: bool = True, limit: int | None = 50) -> list[Entry]:
        """The entries that pass the filter, over all streams by time received."""
        chosen = wanted or Filter()
        streams = (filter(chosen.accepts, self.entries(stream, newest_first=newest_first)) for stream in self.streams())
        key: Callable[[Entry], int] = lambda entry: entry.received_ms  # noqa: E731
        found: list[Entry] = []
        for entry in heapq.merge(*streams, key=key, reverse=newest_first):
            if limit is not None and len(found) >= limit:
                break
            found.append(entry)
        return found

    def get(self, stream: str, sequence: int) -> Record | None:
        """One record with its evidence; None where there is none."""
        if stream not in self.streams():
            return None
        with self.opened(stream) as connection:
            row = connection.execute(f"{SELECT_RECORD} WHERE entries.sequence = ?", (sequence,)).fetchone()
        return record_of(stream, row) if row else None

    def show(self, name: str) -> Record | None:
        """One record by its id ("00:17"), by the uuid of a card that it returned, or by its request id; None where
        there is none.

        Of several records with one request id (call, delivered) it is the first.
        """
        match = _ID.match(name)
        if match:
            return self.get(match[1], int(match[2]))
        found = self.by_card_uuid(name)
        if found is None:
            entries = self.list(Filter(request_id=name), newest_first=False, limit=1)
            found = self.get(entries[0].stream, entries[0].sequence) if entries else None
        return found

    def by_card_uuid(self, card: str) -> Record | None:
        """The record of the call that returned this card, whichever worker wrote it; None where no stream has it
        (L-14)."""
        for stream in self.streams():
            with self.opened(stream) as connection:
                row = connection.execute("SELECT min(sequence) FROM cards WHERE card = ?", (card.lower(),)).fetchone()
            if row and row[0] is not None:
                return self.get(stream, row[0])
        return None

    def blob(self, digest: str) -> bytes | None:
        """A parameter set, site map or configuration by its SHA-256 in hexadecimal; None where no stream has it."""
        try:
            key = bytes.fromhex(digest)
        except ValueError:
            return None
        for stream in self.streams():
            with self.opened(stream) as connection:
                row = connection.execute("SELECT body FROM blobs WHERE hash = ?", (key,)).fetchone()
            if row:
                body: bytes = row[0]
                return body
        return None


def _nothing() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:")
    connection.executescript(
        "CREATE TABLE entries (sequence, format, header, commitment, previous, hash);"
        "CREATE TABLE evidence (sequence, encoding, salt, body);"
        "CREATE TABLE cards (card, sequence); CREATE TABLE blobs (hash, body);"
    )
    return connection
