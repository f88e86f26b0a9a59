"""Record format 1: what one ledger record is, byte for byte.

A record has two parts that are hashed apart (F-42, D1):

- the **header**: canonical JSON, chained, kept for ever. Who called, when, what came of it, by which software and
  knowledge. Patients, users and encounters stand in it as pseudonyms only; no clinical value and no plain hash of one
  stands in it (L-18, L-38).
- the **evidence**: everything that was read and everything that was answered, as named parts of raw bytes in one
  container. The entry commits to it by SHA-256(salt || evidence) with a random 256-bit salt kept beside the evidence,
  so that evidence and salt can go one day without touching the chain, and a small value cannot be guessed from the
  hash (AU-31).

Leaf  = SHA-256(0x00 || header || commitment)      the leaf of RFC 9162, over header and commitment as its data
Entry = SHA-256(0x02 || previous entry || leaf)    the chain; 0x01 stays free for the inner nodes of a tree

A later format changes what the commitment is made of (for instance SHA-256(ciphertext) || SHA-256(salt || plaintext))
and takes the next format number. The format number stands in the header, so entries of every format live in one chain
and old entries stay as they are.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Any, NewType

from cds.audit.blanking import Blanked, blank_token

__all__ = [
    "FORMAT", "GENESIS", "SALT_BYTES", "Blanked", "Entry", "Fact", "Kind", "Prepared", "Pseudonym", "Record", "RecordDraft",
    "blank_token", "commitment", "entry_hash", "faults", "header_bytes", "leaf_hash", "pack", "prepare", "unpack",
]  # fmt: skip

FORMAT = 1
GENESIS = bytes(32)
"""What the first entry of a stream has for its previous entry's hash."""

SALT_BYTES = 32
_CONTAINER = b"TRE1"
_LEAF, _LINK = b"\x00", b"\x02"
_COMMITMENT_BYTES = {1: 32}
_LONGEST_TEXT = 200

Pseudonym = NewType("Pseudonym", str)
"""32 lower-case hexadecimal digits made by `cds.audit.pseudonyms`; the only form in which a person's id may enter a
header."""

Fact = str | int | bool | None

_PSEUDONYM = re.compile(r"[0-9a-f]{32}\Z")
_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}\Z")
_NAME = re.compile(r"[a-z][a-z0-9_.-]{0,63}\Z")
_HASH = re.compile(r"[0-9a-f]{64}\Z")


class Kind(StrEnum):
    """What a record is about. Readers keep and show kinds that they do not know."""

    START = "start"
    """A writer took up this stream: software, settings, mode."""
    CALL = "call"
    """One service call and its outcome, whatever the outcome was (AU-01)."""
    DELIVERED = "delivered"
    """What became of the answer to a call: sent or client gone, when (L-4)."""
    FEEDBACK = "feedback"
    """One item of CDS Hooks feedback (AU-11)."""
    REFUSED = "refused"
    """Calls refused before authentication, counted over an interval (L-36)."""
    MODE = "mode"
    """The mode of operation, or a kill switch, was changed."""
    BLOB = "blob"
    """A parameter set, site map or configuration was put into the ledger, under its content hash."""
    READ = "read"
    """Somebody read or exported the ledger (AU-33)."""
    GAP = "gap"
    """Records that could be written neither to the store nor to the spool, counted (L-3)."""
    FINDING = "finding"
    """What the keeper of the heads found to disagree, or what keeps it from signing (AU-29)."""


@dataclass(frozen=True, slots=True)
class RecordDraft:
    """One record before it has a place in a stream. Times are milliseconds since 1970-01-01T00:00:00Z.

    Everything but `evidence` goes into the header and is kept for ever, so no patient data may stand in it: persons
    as pseudonyms, `facts` for what only this kind of record has (an override's reason code, a count), never a
    clinical value or free text of a user. `evidence` holds named parts of raw bytes: fetched bytes, memory read,
    deadline cuts, rule results, answer, ids in the clear.
    """

    kind: Kind
    received_ms: int
    evaluated_ms: int | None = None
    service: str | None = None
    hook: str | None = None
    purpose: str | None = None
    mode: str | None = None
    client: str | None = None
    tenant: str | None = None
    jti: str | None = None
    user: Pseudonym | None = None
    patient: Pseudonym | None = None
    encounter: Pseudonym | None = None
    status: int | None = None
    outcome: str | None = None
    advisories: Sequence[str] = ()
    cards: Sequence[str] = ()
    request_id: str | None = None
    hook_instance: str | None = None
    hashes: Mapping[str, str] = field(default_factory=dict)
    facts: Mapping[str, Fact] = field(default_factory=dict)
    evidence: Mapping[str, bytes] = field(default_factory=dict)
    request: Blanked | None = None
    """The request body, stored as the evidence part "request"; of a type that only `blank_token` makes (L-1)."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A draft checked, salted and packed; only its place in a stream is missing."""

    members: Mapping[str, Any]
    salt: bytes
    evidence: bytes

    @property
    def cards(self) -> Sequence[str]:
        found: Sequence[str] = self.members.get("cards", ())
        return found


def prepare(draft: RecordDraft) -> Prepared:
    """Check a draft, and pack its evidence under a fresh salt.

    Raises ValueError where a person's id is not a pseudonym, a name or hash is not of its shape, or a fact is not a
    string, integer, boolean or None (a float has no one spelling). A hook instance that is not a UUID is the client's
    free text: it is left out of the header and stays in the evidence only (L-38).
    """
    members: dict[str, Any] = {"kind": str(draft.kind), "received_ms": _integer(draft.received_ms, "received_ms")}
    for name in ("evaluated_ms", "status"):
        number = getattr(draft, name)
        if number is not None:
            members[name] = _integer(number, name)
    for name in ("service", "hook", "purpose", "mode", "client", "tenant", "jti", "outcome", "request_id"):
        text = getattr(draft, name)
        if text is not None:
            members[name] = _text(text, name)
    for name in ("user", "patient", "encounter"):
        person = getattr(draft, name)
        if person is not None:
            if not _PSEUDONYM.match(person):
                raise ValueError(f"{name} must be a pseudonym, not the id itself")
            members[name] = person
    if draft.hook_instance is not None and _UUID.match(draft.hook_instance):
        members["hook_instance"] = draft.hook_instance.lower()
    if draft.advisories:
        members["advisories"] = [_shaped(code, _NAME, "advisory code") for code in draft.advisories]
    if draft.cards:
        members["cards"] = [_shaped(card, _UUID, "card uuid").lower() for card in draft.cards]
    if draft.hashes:
        members["hashes"] = {_shaped(n, _NAME, "name"): _shaped(h, _HASH, "hash") for n, h in draft.hashes.items()}
    if draft.facts:
        members["facts"] = {_shaped(name, _NAME, "name"): _fact(value, name) for name, value in draft.facts.items()}
    parts = draft.evidence
    if draft.request is not None:
        if "request" in parts:
            raise ValueError("the request is given twice")
        parts = {**parts, "request": draft.request}
    return Prepared(members, os.urandom(SALT_BYTES), pack(parts))


def _integer(value: object, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{name} must be an integer")
    return value


def _text(value: object, name: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} must be a string")
    return value[:_LONGEST_TEXT]


def _shaped(value: object, shape: re.Pattern[str], what: str) -> str:
    if not isinstance(value, str) or not shape.match(value):
        raise ValueError(f"not a {what}")
    return value


def _fact(value: object, name: str) -> Fact:
    if value is None or isinstance(value, bool | int):
        return value
    return _text(value, f"the fact {name}")


def header_bytes(members: Mapping[str, Any], stream: str, sequence: int) -> bytes:
    """The header as it is hashed and stored: JSON, ASCII, sorted members, no white space. Stored once, never
    serialised again (AU-26)."""
    whole = {**members, "format": FORMAT, "stream": stream, "sequence": sequence}
    return json.dumps(whole, ensure_ascii=True, sort_keys=True, separators=(",", ":"), allow_nan=False).encode("ascii")


def pack(parts: Mapping[str, bytes]) -> bytes:
    """The evidence container: "TRE1", then for each part in order of name: name length (1 byte), name, length (8
    bytes), bytes."""
    pieces: list[bytes] = [_CONTAINER]
    for name in sorted(parts):
        spelled = _shaped(name, _NAME, "part name").encode("ascii")
        body = parts[name]
        if not isinstance(body, bytes):
            raise ValueError(f"the evidence part {name} must be bytes")
        pieces += (struct.pack(">B", len(spelled)), spelled, struct.pack(">Q", len(body)), body)
    return b"".join(pieces)


def unpack(evidence: bytes) -> dict[str, bytes]:
    """The parts of an evidence container by name. Raises ValueError where the bytes are not one."""
    if not evidence.startswith(_CONTAINER):
        raise ValueError("not an evidence container")
    parts: dict[str, bytes] = {}
    at, end = len(_CONTAINER), len(evidence)
    while at < end:
        body_at = at + 1 + evidence[at] + 8
        if body_at > end:
            raise ValueError("the evidence container is cut off")
        length: int = struct.unpack_from(">Q", evidence, body_at - 8)[0]
        if body_at + length > end:
            raise ValueError("the evidence container is cut off")
        parts[evidence[at + 1 : body_at - 8].decode("ascii", "replace")] = evidence[body_at : body_at + length]
        at = body_at + length
    return parts


def commitment(salt: bytes, evidence: bytes) -> bytes:
    """SHA-256(salt || evidence). The salt has a fixed length, so the two cannot be split in another way."""
    digest = hashlib.sha256(salt)
    digest.update(evidence)
    return digest.digest()


def leaf_hash(header: bytes, commitments: bytes) -> bytes:
    """SHA-256(0x00 || header || commitments): the RFC 9162 leaf, the same rule in every format."""
    return hashlib.sha256(_LEAF + header + commitments).digest()


def entry_hash(previous: bytes, leaf: bytes) -> bytes:
    """SHA-256(0x02 || previous entry's hash || leaf): one link of the chain."""
    return hashlib.sha256(_LINK + previous + leaf).digest()


@dataclass(frozen=True)
class Entry:
    """The chained half of a stored record."""

    format: int
    stream: str
    sequence: int
    header_bytes: bytes
    commitment: bytes
    previous: bytes
    hash: bytes

    @property
    def id(self) -> str:
        """Stream and sequence, as in "00:17"."""
        return f"{self.stream}:{self.sequence}"

    @cached_property
    def header(self) -> Mapping[str, Any]:
        """The header's members; empty where the stored bytes are not a JSON object (`verify` names that)."""
        try:
            members = json.loads(self.header_bytes)
        except ValueError:
            return {}
        return members if isinstance(members, dict) else {}

    @property
    def kind(self) -> str:
        return str(self.header.get("kind", ""))

    @property
    def received_ms(self) -> int:
        found = self.header.get("received_ms", 0)
        return found if isinstance(found, int) else 0


@dataclass(frozen=True)
class Record(Entry):
    """A whole stored record. `evidence` and `salt` are None where the evidence row is gone."""

    salt: bytes | None
    evidence: bytes | None

    @cached_property
    def parts(self) -> Mapping[str, bytes]:
        """The evidence by part name; empty where the evidence is gone. Raises ValueError where it cannot be read."""
        return unpack(self.evidence) if self.evidence is not None else {}


def faults(record: Record) -> list[str]:
    """Everything in this record, taken alone, that does not agree with itself; empty if nothing.

    That `previous` is the hash of the entry before is for the caller to check, who has that entry.
    """
    found: list[str] = []
    header = record.header
    if not header:
        found.append("the header is not JSON")
    elif (header.get("stream"), header.get("sequence"), header.get("format")) != (
        record.stream,
        record.sequence,
        record.format,
    ):
        found.append("the header names another stream, sequence or format than its row")
    if record.format not in _COMMITMENT_BYTES:
        return [*found, f"format {record.format} is not known to this release"]
    if len(record.commitment) != _COMMITMENT_BYTES[record.format]:
        found.append("the commitment has the wrong length")
    if entry_hash(record.previous, leaf_hash(record.header_bytes, record.commitment)) != record.hash:
        found.append("the entry's hash is not that of its header, commitment and predecessor")
    if record.evidence is None or record.salt is None:
        found.append("the evidence is missing")
    elif len(record.salt) != SALT_BYTES or commitment(record.salt, record.evidence) != record.commitment:
        found.append("the evidence is not what the entry commits to")
    return found
