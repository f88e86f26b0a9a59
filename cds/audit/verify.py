"""Verification: derive every chain again from the bytes that are stored, and name each place that does not agree.

What this can show, and what it cannot: a byte changed, a record taken out, put in or moved is found and named.
Whoever can write the files can also cut off the end, add to it, or write a whole new ledger with correct hashes; that
is found only against heads (stream, sequence, hash) which were kept where the writer cannot reach, given here as
`witness` (L-21).
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cds.audit.errors import LedgerError
from cds.audit.read import LedgerReader
from cds.audit.record import GENESIS, Kind, Record, faults
from cds.audit.stream import Place

LIMITS = (
    "Without heads kept elsewhere it cannot be excluded that records at the end of a stream were cut off or added, that the"
    " last stream was removed whole, or that the whole ledger was written anew with correct hashes.",
    "What was lost before it reached the ledger is not in it, but for the gap records that count it.",
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One disagreement: in which stream, at which record (None: not at one record), and what."""

    stream: str
    sequence: int | None
    what: str

    def __str__(self) -> str:
        return f"{self.stream}:{self.sequence}: {self.what}" if self.sequence is not None else f"stream {self.stream}: {self.what}"


@dataclass(frozen=True, slots=True)
class Verification:
    """The outcome. `heads` says how far each stream goes; kept elsewhere, it is the witness of a later verification."""

    records: int
    heads: Mapping[str, Place]
    findings: tuple[Finding, ...]
    limits: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return not self.findings


def verify(directory: Path, witness: Mapping[str, Place] | None = None) -> Verification:
    """Verify every stream under `directory`. Raises LedgerError where there is no ledger at all or a newer release
    wrote it."""
    reader = LedgerReader(directory)
    names = reader.streams()
    heads: dict[str, Place] = {}
    findings: list[Finding] = []
    for slot in range(int(names[-1]) + 1 if names else 0):
        if f"{slot:02d}" not in names:
            findings.append(Finding(f"{slot:02d}", None, "the stream's file is missing, though a later stream exists"))
    for name in names:
        heads[name] = _stream(reader, name, (witness or {}).get(name), findings)
    for name in (witness or {}).keys() - set(names):
        findings.append(Finding(name, None, "the witness knows this stream, and it is gone"))
    return Verification(sum(head.sequence for head in heads.values()), heads, tuple(findings), LIMITS[1:] if witness else LIMITS)


def _stream(reader: LedgerReader, name: str, witness: Place | None, findings: list[Finding]) -> Place:
    sequence, previous = 0, GENESIS
    cards: set[tuple[str, int]] = set()
    blobs: set[bytes] = set()
    try:
        for record in reader.records(name):
            said = [*_missing(sequence + 1, record.sequence), *faults(record)]
            if not _follows(record, previous):
                said.append("the entry does not follow the one before")
            findings += (Finding(name, record.sequence, what) for what in said)
            sequence, previous = record.sequence, record.hash
            cards |= {(card, sequence) for card in record.header.get("cards", ())}
            blobs |= _announced(record)
            if witness is not None and witness.sequence == sequence and witness.hash != record.hash:
                findings.append(Finding(name, sequence, "the entry is not the one that the witness saw"))
        if witness is not None and witness.sequence > sequence:
            findings.append(Finding(name, None, f"the witness saw {witness.sequence} records, here are {sequence}: the end was cut off"))
        _beside(reader, name, cards, blobs, sequence, findings)
    except (sqlite3.Error, LedgerError, OSError) as error:
        findings.append(Finding(name, None, f"cannot be read after record {sequence}: {error}"))
    return Place(sequence, previous)


def _missing(expected: int, found: int) -> list[str]:
    if found == expected:
        return []
    return [f"records {expected} to {found - 1} are missing" if found - 1 > expected else f"record {expected} is missing"]


def _follows(record: Record, previous: bytes) -> bool:
    return record.previous == previous


def _announced(record: Record) -> set[bytes]:
    if record.kind != Kind.BLOB:
        return set()
    try:
        return {bytes.fromhex(record.header["facts"]["sha256"])}
    except (KeyError, TypeError, ValueError):
        return set()


def _beside(reader: LedgerReader, name: str, cards: set[tuple[str, int]], blobs: set[bytes], last: int, findings: list[Finding]) -> None:
    """What stands beside the chain: evidence without an entry, the card look-up, the blobs. A writer may have gone on
    meanwhile."""
    with reader.opened(name) as connection:
        loose = connection.execute("SELECT sequence FROM evidence WHERE sequence NOT IN (SELECT sequence FROM entries) ORDER BY sequence").fetchall()
        findings += (Finding(name, row[0], "evidence without an entry") for row in loose)
        looked_up = {(card, at) for card, at in connection.execute("SELECT card, sequence FROM cards WHERE sequence <= ?", (last,))}
        for card, at in sorted(looked_up ^ cards):
            findings.append(Finding(name, at, f"the look-up of card {card} does not agree with the header"))
        stored: set[bytes] = set()
        for digest, body in connection.execute("SELECT hash, body FROM blobs"):
            stored.add(digest)
            if hashlib.sha256(body).digest() != digest:
                findings.append(Finding(name, None, f"blob {digest.hex()} is not what its hash says"))
        findings += (Finding(name, None, f"blob {digest.hex()} is missing") for digest in sorted(blobs - stored))
        newer = connection.execute("SELECT max(sequence) FROM entries").fetchone()[0] or 0
        if newer <= last:
            findings += (Finding(name, None, f"blob {digest.hex()} was never announced") for digest in sorted(stored - blobs))
