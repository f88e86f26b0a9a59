"""Verification: derive every chain again from the bytes that are stored, and name each place that does not agree.

What this can show, and what it cannot: a byte changed, a record taken out, put in or moved is found and named.
Whoever can write the files can also cut off the end, add to it, or write a whole new ledger with correct hashes; that
is found only against heads which were kept where the writer cannot reach (L-21): signed ones (`lines`), or places
(stream, sequence, hash; `witness`). Who lacks the signing key cannot change what is under a signed head unseen.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cds.audit.errors import LedgerError
from cds.audit.findings import Finding
from cds.audit.heads import Head
from cds.audit.read import LedgerReader
from cds.audit.record import GENESIS, Kind, Record, faults
from cds.audit.stream import Place
from cds.audit.verify_heads import SignedHeads, StreamTree, signed_heads

LIMITS = (
    "Without heads kept elsewhere it cannot be excluded that records at the end of a stream were cut off or added, that the"
    " last stream was removed whole, or that the whole ledger was written anew with correct hashes.",
    "What was lost before it reached the ledger is not in it, but for the gap records that count it.",
)
SIGNED = (
    "The signed heads of the ledger itself show that records under them were not changed by anybody without the signing key. They do not show it of"
    " whoever has that key, nor that the newest heads were not cut off together with their records."
)
WITNESSED = "Records after the last head that the witness holds can have been cut off or written anew, like those of a ledger without a witness."


@dataclass(frozen=True, slots=True)
class Verification:
    """The outcome. `heads` says how far each stream goes; `signed` is the newest signed head, None where there is none;
    `uncovered` counts the records that came after it."""

    records: int
    heads: Mapping[str, Place]
    findings: tuple[Finding, ...]
    limits: tuple[str, ...]
    signed: Head | None = None
    uncovered: int = 0
    witnessed: int = 0

    @property
    def ok(self) -> bool:
        return not self.findings


def verify(directory: Path, witness: Mapping[str, Place] | None = None, *, lines: Sequence[str] = (), key: bytes | None = None) -> Verification:
    """Verify every stream under `directory`, and every signed head against the streams.

    `witness` are places (stream, sequence, hash) and `lines` signed heads that were kept elsewhere; `key` is the public key that the heads must be
    signed with (default: that of the first line kept elsewhere, else that of the first head). Raises LedgerError where there is no ledger at all or
    a newer release wrote it.
    """
    reader = LedgerReader(directory)
    findings: list[Finding] = []
    signed = signed_heads(directory, lines, key, findings)  # read before the streams, which may grow meanwhile
    names = reader.streams()
    heads: dict[str, Place] = {}
    for slot in range(int(names[-1]) + 1 if names else 0):
        if f"{slot:02d}" not in names:
            findings.append(Finding(f"{slot:02d}", None, "the stream's file is missing, though a later stream exists"))
    for name in names:
        heads[name] = _stream(reader, name, (witness or {}).get(name), signed, findings)
    for name in (witness or {}).keys() - set(names):
        findings.append(Finding(name, None, "the witness knows this stream, and it is gone"))
    for name in sorted(signed.streams() - set(names)):
        findings.append(Finding(name, None, "a signed head knows this stream, and it is gone"))
    records = sum(head.sequence for head in heads.values())
    covered = sum(each.size for each in signed.last.streams) if signed.last else 0
    limits = [*(() if witness or signed.witnessed else LIMITS[:1]), *((SIGNED,) if signed.last else ()), *((WITNESSED,) if signed.witnessed else ()), LIMITS[1]]
    return Verification(records, heads, tuple(findings), tuple(limits), signed.last, max(0, records - covered), signed.witnessed)


def _stream(reader: LedgerReader, name: str, witness: Place | None, signed: SignedHeads, findings: list[Finding]) -> Place:
    sequence, previous = 0, GENESIS
    cards: set[tuple[str, int]] = set()
    blobs: set[bytes] = set()
    tree = StreamTree(name, signed)
    try:
        for record in reader.records(name):
            said = [*_missing(sequence + 1, record.sequence), *faults(record)]
            if not _follows(record, previous):
                said.append("the entry does not follow the one before")
            findings += (Finding(name, record.sequence, what) for what in said)
            sequence, previous = record.sequence, record.hash
            tree.push(record, findings)
            cards |= {(card, sequence) for card in record.header.get("cards", ())}
            blobs |= _announced(record)
            if witness is not None and witness.sequence == sequence and witness.hash != record.hash:
                findings.append(Finding(name, sequence, "the entry is not the one that the witness saw"))
        if witness is not None and witness.sequence > sequence:
            findings.append(Finding(name, None, f"the witness saw {witness.sequence} records, here are {sequence}: the end was cut off"))
        tree.end(findings)
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
        odd = connection.execute("SELECT sequence FROM evidence WHERE encoding IS NOT 'plain' ORDER BY sequence").fetchall()
        findings += (Finding(name, row[0], "the evidence has an encoding that this release does not know") for row in odd)
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
