"""The ledger as the service and the command line write it: group commit in one writer thread, off the event loop.

Whatever waits in the queue when the disk is free goes into one transaction; packing, hashing and SQLite run in the
writer thread. An awaited `append` returns when the record is durable, or says that it is not.
"""

from __future__ import annotations

import asyncio
import hashlib
import queue
import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, TypeVar

from cds.audit.errors import LedgerUnavailable
from cds.audit.pseudonyms import Pseudonyms
from cds.audit.record import Fact, Kind, Prepared, RecordDraft, prepare
from cds.audit.spool import DEFAULT_BYTES, Spool
from cds.audit.stream import PRAGMAS, Place, Stream

OnFailure = Literal["answer", "refuse"]
T = TypeVar("T")

SLOTS = 64
MAX_BATCH = 256
MAX_BATCH_BYTES = 16 * 1024 * 1024
IDLE_SECONDS = 0.002
"""After this long without work the writer copies the write-ahead log into the database. Often and little: a record
that comes meanwhile waits 1 to 3 ms, and a short log is written over the same blocks again, which syncs faster than a
growing one."""
IDLE_CHECKPOINT_BYTES = 512 * 1024
LOG_BYTES = 16 * 1024 * 1024
"""Beyond this the log is copied between two batches, work waiting or not: it stays far under 64 MB (F-26), and the
wait under 60 ms."""
RETRY_SECONDS = 1.0
DRAIN_BYTES = 8 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a record. "stored": durable in the chain, at `sequence`. "spooled": durable, not yet in the
    chain. "lost": neither."""

    state: Literal["stored", "spooled", "lost"]
    stream: str
    sequence: int | None = None
    hash: bytes | None = None


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the store takes records now, for readiness and metrics; `trouble` says why not.

    `spooled_waiting` records are durable, but not yet in the chain; `lost` counts from the start of this process.
    """

    ready: bool
    spooled_waiting: int
    lost: int
    trouble: str | None


@dataclass(slots=True)
class _Item:
    """A record, or a task for the writer thread, on its way."""

    draft: RecordDraft | None
    settle: Callable[[Receipt | BaseException], None] | None = None
    loop: asyncio.AbstractEventLoop | None = None
    future: asyncio.Future[Receipt] | None = None
    task: Callable[[], None] | None = None
    blob: tuple[bytes, bytes] | None = None


@dataclass(slots=True)
class _Losses:
    count: int = 0
    first_ms: int = 0
    last_ms: int = 0


class Ledger:
    """One process's writing end. `append` from a running event loop, the other methods from any thread."""

    def __init__(
        self,
        stream: Stream,
        pseudonyms: Pseudonyms,
        spool: Spool | None,
        on_failure: OnFailure,
        clock_ms: Callable[[], int],
    ) -> None:
        self.pseudonyms = pseudonyms
        self.on_failure: OnFailure = on_failure
        self._stream = stream
        self._spool = spool
        self._clock_ms = clock_ms
        self._queue: queue.SimpleQueue[tuple[_Item, ...] | None] = queue.SimpleQueue()
        self._lost_total = 0
        self._unrecorded = _Losses()
        self._trouble: str | None = None
        self._closed = False
        self._thread = threading.Thread(target=self._run, name=f"ledger-{stream.name}", daemon=True)
        self._thread.start()

    @classmethod
    def open(
        cls,
        directory: Path,
        start: RecordDraft,
        *,
        clock_ms: Callable[[], int],
        on_failure: OnFailure = "answer",
        spool_directory: Path | None = None,
        spool_bytes: int = DEFAULT_BYTES,
        slots: int = SLOTS,
        pragmas: Mapping[str, str] = PRAGMAS,
    ) -> Ledger:
        """Claim the lowest free stream under `directory`, check its end, continue its chain, and record `start` (kind
        "start").

        `clock_ms` gives the time for what the writer itself records (when a record was spooled, when a gap ended).
        Under "answer" a spool of `spool_bytes` is preallocated under `spool_directory` (default: the ledger's own
        directory; another file system is better).

        Raises LedgerDamaged where the end of the chain was changed, LedgerError where no slot is free or the
        connection would not sync, LedgerUnavailable where the start record cannot be stored, OSError or sqlite3.Error
        where files cannot be opened.
        """
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        pseudonyms = Pseudonyms.open(directory)
        stream = Stream.claim(directory, slots, pragmas)
        try:
            if pragmas is PRAGMAS:
                stream.require_durable()
            spool, place = None, (spool_directory or directory) / f"spool-{stream.name}.bin"
            if on_failure == "answer" or place.exists():  # under "refuse" only to bring in what an earlier setting left
                spool = Spool(place, spool_bytes)
        except BaseException:
            stream.close()
            raise
        ledger = cls(stream, pseudonyms, spool, on_failure, clock_ms)
        facts = {**start.facts, "pseudonym_key": pseudonyms.key_id}
        try:
            receipt = ledger.append_sync(replace(start, kind=Kind.START, facts=facts))
        except BaseException:
            ledger.close()
            raise
        if receipt.state != "stored":
            trouble = ledger.health().trouble
            ledger.close()
            raise LedgerUnavailable(f"the ledger in {directory} cannot be written: {trouble}")
        return ledger

    @property
    def stream(self) -> str:
        """The name of the stream that this process writes, such as "00"."""
        return self._stream.name

    async def append(self, draft: RecordDraft, before: Sequence[RecordDraft] = ()) -> Receipt:
        """Append one record, and wait until it is durable.

        `before` are records that nobody waits for (see `append_nowait`); they go in front of it, handed over together, so that the writer does
        not store them alone first while the other waits for a transaction of its own.

        Under "answer" always a Receipt: a caller whose record is "lost" marks its answer as not recorded. Under
        "refuse" raises LedgerUnavailable where the store failed. Raises ValueError where the draft breaks the format
        (see `prepare`). Cancelling the wait does not take the record back.
        """
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Receipt] = loop.create_future()
        self._put(*(_Item(each) for each in before), _Item(draft, loop=loop, future=future))
        return await future

    def append_sync(self, draft: RecordDraft) -> Receipt:
        """`append` for callers without an event loop."""
        future: Future[Receipt] = Future()
        self._put(_Item(draft, settle=lambda outcome: _settle(future, outcome)))
        return future.result()

    def append_nowait(self, draft: RecordDraft) -> None:
        """Append without waiting, for what follows an answer (L-4). A loss is counted and recorded as a gap; a draft
        that breaks the format is such a loss."""
        self._put(_Item(draft))

    def keep_blob(self, name: str, body: bytes, *, received_ms: int) -> str:
        """Store what many records refer to (parameter set, site map, configuration without secrets) once in this
        stream.

        Returns its SHA-256 in hexadecimal, for the headers of the records. `name` says what it is, as in "knowledge".
        Raises LedgerUnavailable where it cannot be stored: a record must not refer to what is not there.
        """
        digest = hashlib.sha256(body)
        if self.run(lambda stream: stream.has_blob(digest.digest())):
            return digest.hexdigest()
        facts: dict[str, Fact] = {"name": name, "sha256": digest.hexdigest(), "bytes": len(body)}
        future: Future[Receipt] = Future()
        draft = RecordDraft(kind=Kind.BLOB, received_ms=received_ms, facts=facts)
        self._put(_Item(draft, settle=lambda outcome: _settle(future, outcome), blob=(digest.digest(), body)))
        if future.result().state != "stored":
            raise LedgerUnavailable(f"{name} cannot be stored: {self._trouble}")
        return digest.hexdigest()

    def run(self, task: Callable[[Stream], T]) -> T:
        """Run a reading task on the stream in the writer thread, between two batches."""
        future: Future[T] = Future()

        def work() -> None:
            try:
                future.set_result(task(self._stream))
            except BaseException as error:
                future.set_exception(error)

        self._put(_Item(None, task=work))
        return future.result()

    def live_settings(self) -> dict[str, int | str]:
        """The durability settings of the connection in use, read back from SQLite (L-34)."""
        return self.run(lambda stream: stream.live_settings())

    def health(self) -> Health:
        waiting = len(self._spool.waiting) if self._spool else 0
        return Health(not self._closed and self._trouble is None, waiting, self._lost_total, self._trouble)

    def close(self) -> None:
        """Write what waits, close the files, give the stream free. Records that come later are refused."""
        if not self._closed:
            self._closed = True
            self._queue.put(None)
            self._thread.join()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _put(self, *items: _Item) -> None:
        if self._closed:
            raise LedgerUnavailable("the ledger is closed")
        self._queue.put(items)

    # From here on: the writer thread.

    def _run(self) -> None:
        ends = False
        while not ends:
            try:
                first = self._queue.get(timeout=self._patience())
            except queue.Empty:
                self._rest()
                continue
            ends = first is None
            items, size = list(first or ()), 0
            while not ends and len(items) < MAX_BATCH and size < MAX_BATCH_BYTES:
                try:
                    more = self._queue.get_nowait()
                except queue.Empty:
                    break
                if more is None:
                    ends = True
                else:
                    items += more
                    size += sum(map(_size, more))
            self._handle(items)
        self._rest()
        while not self._queue.empty():  # put by another thread while this one ended
            for item in self._queue.get() or ():
                _finish([(item, LedgerUnavailable("the ledger is closed"))])
        if self._spool:
            self._spool.close()
        self._stream.close()

    def _patience(self) -> float | None:
        if self._trouble is not None or (self._spool and self._spool.waiting) or self._unrecorded.count:
            return RETRY_SECONDS
        return IDLE_SECONDS if self._stream.waiting_bytes >= IDLE_CHECKPOINT_BYTES else None

    def _rest(self) -> None:
        """Nothing is waiting: bring in what was spooled, and empty the log."""
        if self._trouble is not None:
            try:
                self._stream.reopen()
            except Exception as error:
                self._trouble = _said(error)
                return
        self._catch_up()
        if self._stream.waiting_bytes >= IDLE_CHECKPOINT_BYTES:
            self._checkpoint()

    def _handle(self, items: Sequence[_Item]) -> None:
        """One batch, in order: records go into one transaction, but a task sees everything that was put before it."""
        records: list[tuple[_Item, Prepared]] = []
        for item in items:
            if item.task is not None:
                _finish(self._store(records))
                records = []
                item.task()
            elif item.draft is not None:
                try:
                    records.append((item, prepare(item.draft)))
                except Exception as error:
                    if item.future is None and item.settle is None:
                        self._lose()
                    _finish([(item, error if isinstance(error, ValueError) else ValueError(_said(error)))])
        _finish(self._store(records))
        if self._trouble is None:
            self._catch_up()
        if self._stream.waiting_bytes >= LOG_BYTES:
            self._checkpoint()

    def _store(self, records: Sequence[tuple[_Item, Prepared]]) -> list[tuple[_Item, Receipt | BaseException]]:
        if not records:
            return []
        try:
            places = self._append([prepared for _, prepared in records], [item.blob for item, _ in records if item.blob])
        except Exception as error:
            if len(records) > 1:  # one record that does not fit must not cost the others
                return [outcome for record in records for outcome in self._store([record])]
            self._trouble = _said(error)
            return [(item, self._fall_back(item, prepared)) for item, prepared in records]
        self._trouble = None
        name = self._stream.name
        return [(item, Receipt("stored", name, at.sequence, at.hash)) for (item, _), at in zip(records, places, strict=True)]

    def _append(self, prepared: Sequence[Prepared], blobs: Sequence[tuple[bytes, bytes]] = ()) -> list[Place]:
        return self._stream.append(prepared, list(dict(blobs).items()))

    def _fall_back(self, item: _Item, prepared: Prepared) -> Receipt | BaseException:
        name = self._stream.name
        if self._spool is not None and self.on_failure == "answer" and item.blob is None:
            try:
                self._spool.write(prepared, self._clock_ms())
                return Receipt("spooled", name)
            except Exception as error:
                self._trouble = f"{self._trouble}; spool: {_said(error)}"
        self._lose()
        if self.on_failure == "refuse":
            return LedgerUnavailable(f"the record could not be stored: {self._trouble}")
        return Receipt("lost", name)

    def _lose(self) -> None:
        now = self._clock_ms()
        losses = self._unrecorded
        losses.first_ms = losses.first_ms if losses.count else now
        losses.last_ms = now
        losses.count += 1
        self._lost_total += 1

    def _catch_up(self) -> None:
        """The store works: append what was spooled, then say what was lost."""
        spool, losses = self._spool, self._unrecorded
        try:
            if spool is not None and spool.waiting:
                here = self._stream.recent_salts(1000 + 2 * len(spool.waiting))
                left = [prepared for prepared in spool.waiting if prepared.salt not in here]
                part, size = 0, 0
                while part < len(left) and size < DRAIN_BYTES:
                    size += len(left[part].evidence)
                    part += 1
                if part:
                    self._append(left[:part])
                if part == len(left):
                    spool.clear()
                else:
                    spool.waiting[:] = left[part:]
            if losses.count:
                facts = {"lost": losses.count, "first_ms": losses.first_ms, "last_ms": losses.last_ms}
                self._append([prepare(RecordDraft(kind=Kind.GAP, received_ms=self._clock_ms(), facts=facts))])
                self._unrecorded = _Losses()
            self._trouble = None
        except (sqlite3.Error, OSError) as error:
            self._trouble = _said(error)

    def _checkpoint(self) -> None:
        try:
            self._stream.checkpoint()
        except sqlite3.Error as error:
            self._trouble = _said(error)


def _size(item: _Item) -> int:
    draft = item.draft
    return sum(map(len, draft.evidence.values())) + len(draft.request or b"") if draft else 0


def _said(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"


def _settle(future: Future[Receipt], outcome: Receipt | BaseException) -> None:
    if isinstance(outcome, Receipt):
        future.set_result(outcome)
    else:
        future.set_exception(outcome)


def _finish(done: Sequence[tuple[_Item, Receipt | BaseException]]) -> None:
    """Tell every caller what became of its record; each event loop is woken once."""
    loops: dict[asyncio.AbstractEventLoop, list[tuple[asyncio.Future[Receipt], Receipt | BaseException]]] = {}
    for item, outcome in done:
        if item.settle is not None:
            item.settle(outcome)
        elif item.future is not None and item.loop is not None:
            loops.setdefault(item.loop, []).append((item.future, outcome))
    for loop, outcomes in loops.items():
        with suppress(RuntimeError):  # the loop was closed while its record was written; nobody waits any more
            loop.call_soon_threadsafe(_wake, outcomes)


def _wake(outcomes: Sequence[tuple[asyncio.Future[Receipt], Receipt | BaseException]]) -> None:
    for future, outcome in outcomes:
        if future.done():
            continue
        if isinstance(outcome, Receipt):
            future.set_result(outcome)
        else:
            future.set_exception(outcome)
