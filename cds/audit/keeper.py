"""The keeper of the heads: follows every stream, signs heads, and copies each to a witness file outside the ledger (L-6, L-21, AU-25).

One process of those that write a ledger holds `heads.lock` and keeps the heads of all streams; when it ends, the next takes over. All of it runs
in a thread of its own and reads what is committed, so no answer waits for a signature.

It also looks on what it signs. An entry that does not follow from the one before, a stream shorter than the last head says, a stream that is gone,
a witness that holds another head: then nothing is signed any more, and the alarm is given once (AU-29).
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from cds.audit.errors import LedgerDamaged, LedgerError
from cds.audit.heads import FIRST, HEADS_FILE, SCHEMA, Head, SigningKey, StreamHead, make_head, read_head, stored_lines, witness_lines
from cds.audit.read import LedgerReader
from cds.audit.record import GENESIS, entry_hash, leaf_hash
from cds.audit.secret_files import sync_directory
from cds.audit.tree import HASH_BYTES, Frontier

RECORDS = 100
"""A head is signed once so many records are not yet under one ..."""
SECONDS = 300
"""... or once a record has waited so long (AU-25)."""
POLL_SECONDS = 1.0
CLOSE_SECONDS = 5.0
APPLICATION_ID = 0x54524844
LOCK_FILE = "heads.lock"
_PAUSE_AFTER = 64
_PAUSE_SECONDS = 0.001
_TABLES = f"""
BEGIN IMMEDIATE;
CREATE TABLE heads (number INTEGER PRIMARY KEY, line TEXT NOT NULL) STRICT;
CREATE TABLE trees (stream TEXT PRIMARY KEY, size INTEGER NOT NULL, last BLOB NOT NULL, nodes BLOB NOT NULL) STRICT;
CREATE TRIGGER heads_in_order BEFORE INSERT ON heads WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM heads)
    BEGIN SELECT raise(ABORT, 'heads are append-only: they follow each other without a gap'); END;
CREATE TRIGGER heads_no_update BEFORE UPDATE ON heads BEGIN SELECT raise(ABORT, 'heads are append-only'); END;
CREATE TRIGGER heads_no_delete BEFORE DELETE ON heads BEGIN SELECT raise(ABORT, 'heads are append-only'); END;
PRAGMA application_id={APPLICATION_ID};
PRAGMA user_version={SCHEMA};
COMMIT;
"""


class _Followed:
    """One stream as far as it was read: its tree, and its last entry's hash."""

    def __init__(self, frontier: Frontier | None = None, last: bytes = GENESIS) -> None:
        self.tree = frontier or Frontier()
        self.last = last


class HeadKeeper:
    """Signs the heads of one ledger. Make it before the ledger is opened, so that a chain whose end was cut off is not continued."""

    def __init__(
        self,
        directory: Path,
        keys: Path,
        witness: Path,
        *,
        clock_ms: Callable[[], int],
        alarm: Callable[[str], None] = lambda _: None,
        records: int = RECORDS,
        seconds: int = SECONDS,
    ) -> None:
        """Read the key or make it, and, where no other process keeps the heads, verify every stream from the last signed head on.

        Raises LedgerDamaged where a stream, the heads or the witness do not agree, or where the key is missing; LedgerError where a newer release
        wrote the heads; OSError or sqlite3.Error where files cannot be opened.
        """
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.alarm = alarm
        self.witness = witness
        self.trouble: str | None = None
        self._directory = directory
        self._clock_ms = clock_ms
        self._records, self._seconds = records, seconds
        self._reader = LedgerReader(directory)
        self._followed: dict[str, _Followed] = {}
        self._last: Head | None = None
        self._witnessed = 0
        self._damaged = False
        self._connection: sqlite3.Connection | None = None
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = os.open(directory / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            self.key = SigningKey.open(keys, make=not stored_lines(directory))
            witness.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            os.close(os.open(witness, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600))
            self._take_up()
        except BaseException:
            self._drop()
            raise

    def start(self) -> None:
        """Begin to follow the streams."""
        self._thread = threading.Thread(target=self._run, name="ledger-heads", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Sign what is not yet under a head, where no other process does, and let go. The ledger is closed before."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(CLOSE_SECONDS)
            if self._thread.is_alive():  # a witness on a host that does not answer must not hold up the end; the next start signs the rest
                return
        for _ in range(10):  # another process may be in the middle of its last round
            self._try_round(signing=True)
            if self._connection is not None or self.trouble is not None:
                break
            time.sleep(0.02)
        self._drop()

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        os.close(self._lock)

    def _run(self) -> None:
        while not self._ended.wait(POLL_SECONDS):
            self._try_round()

    def _try_round(self, *, signing: bool = False) -> None:
        """One round, with whatever goes wrong as an alarm: this thread never ends by itself. Damage stays; other trouble is tried again."""
        if self._damaged:
            return
        try:
            if self._take_up():
                self.round(signing=signing)
            self.trouble = None
        except Exception as error:
            self._damaged = isinstance(error, LedgerDamaged)
            said = str(error) if isinstance(error, LedgerError) else f"{type(error).__name__}: {error}"
            if said != self.trouble:
                self.trouble = said
                with suppress(Exception):
                    self.alarm(said)

    # Taking up -----------------------------------------------------------------------------------------------------------

    def _take_up(self) -> bool:
        """Whether this process keeps the heads; where nobody does it begins to, after it has looked at what is there."""
        if self._connection is not None:
            return True
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        connection = self._connect()
        try:
            numbered = connection.execute("SELECT number, line FROM heads ORDER BY number DESC LIMIT 1").fetchone()
            self._last = read_head(numbered[1]) if numbered else None
            if self._last is not None:
                self._check_last(self._last, numbered[0])
            self._followed = self._trees(connection)
            self._check_witness(connection)
            self._connection = connection
            self._follow()
            if self._last is None:
                self._sign()  # at once, so that a ledger whose records name a key and that has no heads has lost them
        except BaseException:
            self._connection = None
            connection.close()
            fcntl.flock(self._lock, fcntl.LOCK_UN)
            raise
        return True

    def _connect(self) -> sqlite3.Connection:
        path = self._directory / HEADS_FILE
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        try:
            for name, value in (("journal_mode", "wal"), ("synchronous", "FULL"), ("fullfsync", "ON"), ("trusted_schema", "OFF"), ("busy_timeout", "2000")):
                connection.execute(f"PRAGMA {name}={value}").fetchall()
            if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
                connection.executescript(_TABLES)
            return connection
        except BaseException:
            connection.close()
            raise

    def _check_last(self, last: Head, number: int) -> None:
        if last.number != number or not last.signed:
            raise LedgerDamaged(f"head {number} is not as it was signed; see `trivet ledger verify`")
        if last.key != self.key.public:
            raise LedgerDamaged(f"head {number} was signed with another key than the one in use; put that key back, or move {HEADS_FILE} aside and keep it")

    def _trees(self, connection: sqlite3.Connection) -> dict[str, _Followed]:
        """The trees as of the last head: what was kept beside it where it agrees, else derived from the stream again."""
        followed: dict[str, _Followed] = {}
        kept = {name: (size, last, nodes) for name, size, last, nodes in connection.execute("SELECT stream, size, last, nodes FROM trees")}
        for head in self._last.streams if self._last else ():
            size, last, nodes = kept.get(head.stream, (None, b"", b""))
            with suppress(LedgerDamaged):
                tree = Frontier(head.size, [nodes[at : at + HASH_BYTES] for at in range(0, len(nodes), HASH_BYTES)])
                if size == head.size and tree.root() == head.root and self._stands(head.stream, size, last):
                    followed[head.stream] = _Followed(tree, last)
                    continue
            again = _Followed()
            if head.stream not in self._reader.streams():
                raise LedgerDamaged(f"stream {head.stream} is gone, with {head.size} records that were signed over")
            self._read(head.stream, again, head.size)
            if again.tree.root() != head.root:
                raise LedgerDamaged(
                    f"stream {head.stream}: its first {head.size} records are not those that head {self._last and self._last.number} was signed over"
                )
            followed[head.stream] = again
        return followed

    def _stands(self, stream: str, size: int, last: bytes) -> bool:
        if size == 0:
            return True
        if stream not in self._reader.streams():
            return False
        with self._reader.opened(stream) as connection:
            row = connection.execute("SELECT hash FROM entries WHERE sequence = ?", (size,)).fetchone()
        return row is not None and row[0] == last

    def _check_witness(self, connection: sqlite3.Connection) -> None:
        lines = witness_lines(self.witness)
        self._witnessed = 0
        if not lines:
            return
        seen = read_head(lines[-1])
        here = connection.execute("SELECT line FROM heads WHERE number = ?", (seen.number,)).fetchone()
        if here is None or here[0] != seen.line:
            raise LedgerDamaged(
                f"the witness file {self.witness} holds head {seen.number}, and the ledger {'does not' if here is None else 'holds another'}: records were cut off"
                " or written anew. If the ledger was restored from a backup, move the witness file elsewhere and keep it, then start again"
            )
        self._witnessed = seen.number

    # One round -----------------------------------------------------------------------------------------------------------

    def round(self, *, signing: bool = False) -> None:
        """Follow every stream to its end, and sign a head where one is due or, with `signing`, where anything is new."""
        new = self._follow()
        last = self._last
        recent = last is not None and 0 <= self._clock_ms() - last.made_ms < 1000 * self._seconds  # a clock put back keeps no head waiting
        if new and (signing or new >= self._records or not recent):
            self._sign()
        self._tell_witness()

    def _follow(self) -> int:
        """Read on in every stream; how many records are not yet under a head."""
        there = self._reader.streams()
        for name in sorted(self._followed.keys() - set(there)):
            if self._followed[name].tree.size:
                raise LedgerDamaged(f"stream {name} is gone, with {self._followed[name].tree.size} records that were followed")
        for name in there:
            self._read(name, self._followed.setdefault(name, _Followed()))
        signed = sum(each.size for each in self._last.streams) if self._last else 0
        return sum(each.tree.size for each in self._followed.values()) - signed

    def _read(self, name: str, followed: _Followed, until: int | None = None) -> None:
        """Read on in one stream, to its end or to a size."""
        try:
            self._read_on(name, followed, until)
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError as error:
            raise LedgerDamaged(f"stream {name} is not a readable ledger ({error}); see `trivet ledger verify`") from error

    def _read_on(self, name: str, followed: _Followed, until: int | None) -> None:
        tree = followed.tree
        with self._reader.opened(name) as connection:
            end = connection.execute("SELECT max(sequence) FROM entries").fetchone()[0] or 0
        if end < max(tree.size, until or 0):
            raise LedgerDamaged(f"stream {name}: {max(tree.size, until or 0)} records were signed or followed, {end} are left: the end was cut off")
        if end == tree.size or until == tree.size:
            return
        for entry in self._reader.entries(name, after=tree.size):
            leaf = leaf_hash(entry.header_bytes, entry.commitment)
            if entry.sequence != tree.size + 1 or entry.previous != followed.last or entry_hash(entry.previous, leaf) != entry.hash:
                raise LedgerDamaged(f"stream {name}, entry {entry.sequence}: it does not follow from the one before; see `trivet ledger verify`")
            tree.push(leaf)
            followed.last = entry.hash
            if tree.size == until:
                return
            if tree.size % _PAUSE_AFTER == 0 and self._thread is not None:
                time.sleep(_PAUSE_SECONDS)  # an answer that waits for the interpreter comes first

    def _sign(self) -> None:
        connection, last = self._connection, self._last
        assert connection is not None
        streams = [StreamHead(name, each.tree.size, each.tree.root()) for name, each in self._followed.items() if each.tree.size]
        head = make_head(self.key, last.number + 1 if last else 1, last.digest if last else FIRST, self._clock_ms(), streams)
        trees = [(name, each.tree.size, each.last, b"".join(each.tree.nodes)) for name, each in self._followed.items() if each.tree.size]
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("INSERT INTO heads (number, line) VALUES (?, ?)", (head.number, head.line))
            connection.executemany("INSERT OR REPLACE INTO trees (stream, size, last, nodes) VALUES (?, ?, ?, ?)", trees)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self._last = head
        self._tell_witness()

    def _tell_witness(self) -> None:
        """Append to the witness file every head that it does not yet hold."""
        connection, last = self._connection, self._last
        if connection is None or last is None or self._witnessed >= last.number:
            return
        new = not self.witness.exists()
        lines = connection.execute("SELECT line FROM heads WHERE number > ? ORDER BY number", (0 if new else self._witnessed,)).fetchall()
        descriptor = os.open(self.witness, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            end = os.fstat(descriptor).st_size
            torn = end > 0 and os.pread(descriptor, 1, end - 1) != b"\n"
            text = "".join(f"{line}\n" for (line,) in lines)
            _write(descriptor, f"{chr(10) if torn else ''}{text}".encode("ascii"))
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if new:
            sync_directory(self.witness.parent)
        self._witnessed = last.number


def _write(descriptor: int, content: bytes) -> None:
    while content:
        content = content[os.write(descriptor, content) :]
