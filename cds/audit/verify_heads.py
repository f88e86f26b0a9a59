"""Signed heads, verified: among themselves, against a witness, and against the streams (L-6, L-21)."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cds.audit.errors import LedgerError
from cds.audit.findings import Finding
from cds.audit.heads import FIRST, Head, read_head, stored_lines
from cds.audit.record import Record, leaf_hash
from cds.audit.tree import Frontier


@dataclass(slots=True)
class SignedHeads:
    """The heads of a ledger and of its witness. `roots`: by stream and size, which tree head was signed, and who says so."""

    last: Head | None = None
    witnessed: int = 0
    """The number of the newest head that the witness holds; 0 without a witness."""
    roots: dict[str, dict[int, list[tuple[str, bytes]]]] = field(default_factory=dict)

    def streams(self) -> set[str]:
        return set(self.roots)

    def add(self, head: Head, said_by: str) -> None:
        for each in head.streams:
            self.roots.setdefault(each.stream, {}).setdefault(each.size, []).append((said_by, each.root))


def signed_heads(directory: Path, lines: Sequence[str], key: bytes | None, findings: list[Finding]) -> SignedHeads:
    """Read and verify the heads of the ledger and the lines kept elsewhere; what does not agree goes into `findings`."""
    found = SignedHeads()
    said: list[str] = []
    outside = [head for at, line in enumerate(lines, 1) if (head := _read(line, f"line {at} of the witness", said)) is not None]
    try:
        stored = stored_lines(directory)
    except (sqlite3.Error, LedgerError) as error:
        stored = []
        said.append(f"the signed heads cannot be read: {error}")
    inside = [head for number, line in stored if (head := _read(line, f"head {number}", said)) is not None]
    expected = key or next((head.key for head in (*outside, *inside)), None)
    said += _chained(inside, [number for number, _ in stored], expected)
    here = {head.number: head.line for head in inside}
    for head in inside:
        found.add(head, f"head {head.number}")
    missing: list[int] = []
    for head in outside:
        if not _genuine(head, expected):
            said.append(f"head {head.number} of the witness is not signed with the key of this ledger")
            continue
        found.witnessed = max(found.witnessed, head.number)
        if here.get(head.number) == head.line:
            continue
        found.add(head, f"head {head.number} of the witness")
        if head.number in here:
            said.append(f"head {head.number} is not the one that the witness holds")
        else:
            missing.append(head.number)
    if missing:
        said.append(f"the witness holds heads {missing[0]} to {missing[-1]} ({len(missing)}) that the ledger does not have")
    found.last = inside[-1] if inside else None
    findings += (Finding("", None, what) for what in said)
    return found


def _read(line: str, name: str, said: list[str]) -> Head | None:
    try:
        return read_head(line)
    except LedgerError as error:
        said.append(f"{name}: {error}")
        return None


def _genuine(head: Head, key: bytes | None) -> bool:
    return head.key == key and head.signed


def _chained(heads: Sequence[Head], numbers: Sequence[int], key: bytes | None) -> list[str]:
    """What is wrong in the row of heads: each is signed with the key, names the one before, and never says less than it."""
    said: list[str] = []
    if not list(numbers) == [head.number for head in heads] == list(range(1, len(numbers) + 1)):
        said.append("signed heads are missing or moved: their numbers do not follow each other")
    before: Head | None = None
    for head in heads:
        if not _genuine(head, key):
            said.append(f"head {head.number} is not signed with the key of this ledger")
        expected = before.digest if before else FIRST
        if head.previous != expected:
            said.append(f"head {head.number} does not follow the head before")
        sizes = {each.stream: each.size for each in head.streams}
        for each in before.streams if before else ():
            if sizes.get(each.stream, 0) < each.size:
                said.append(f"head {head.number} has fewer records of stream {each.stream} than the head before")
        before = head
    return said


class StreamTree:
    """One stream's tree as it is derived again, held against every head that was signed over it."""

    def __init__(self, name: str, signed: SignedHeads) -> None:
        self.name = name
        self._roots = signed.roots.get(name, {})
        self._any = bool(signed.roots) or signed.last is not None
        self._tree = Frontier()
        self._agreed = 0
        self._differs = False
        self._key = ""

    def push(self, record: Record, findings: list[Finding]) -> None:
        """Add a record, and compare where a head stands."""
        self._tree.push(leaf_hash(record.header_bytes, record.commitment))
        if record.kind == "start":
            self._key = str((record.header.get("facts") or {}).get("head_key", "") or self._key)
        size = self._tree.size
        for said_by, root in self._roots.get(size, ()):
            if root == self._tree.root():
                self._agreed = size
            elif not self._differs:
                self._differs = True  # every later head differs then too, and says nothing new
                findings.append(Finding(self.name, None, f"{said_by} was signed over other records: a change among records {self._agreed + 1} to {size}"))

    def end(self, findings: list[Finding]) -> None:
        """All records were read."""
        size = self._tree.size
        beyond = [(at, said_by) for at, said in self._roots.items() if at > size for said_by, _ in said]
        if beyond:
            at, said_by = max(beyond)
            findings.append(Finding(self.name, None, f"{said_by} was signed over {at} records, here are {size}: the end was cut off"))
        if self._key and not self._any:
            findings.append(Finding(self.name, None, f"its records say that heads are signed with key {self._key}, and there is no head"))
