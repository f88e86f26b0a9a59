"""Signed heads: one line that says how far every stream goes and what its tree's head is, signed with Ed25519 (L-6, AU-25).

A line is the signature (128 hexadecimal digits), one space, and the body, which is signed as it stands and never serialised again:

    {"format":1,"key":"...","made_ms":1700000000000,"number":7,"previous":"...","root":"...","streams":[["00",120,"..."],["01",80,"..."]]}

`key` is the public key, so that a line kept elsewhere pins it; `previous` the SHA-256 of the body before (64 zeros for the first);
`streams` are sorted by name: name, size, head of that stream's tree. The leaves of a stream's tree are its entries' leaf hashes.
`root` is the head of the tree over this list; its leaves are name (2 bytes ASCII) || size (8 bytes, big-endian) || head (32 bytes).
"""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from cds.audit.errors import LedgerDamaged, LedgerError
from cds.audit.secret_files import make_once
from cds.audit.tree import leaf_of, root_of

FORMAT = 1
SCHEMA = 1
FIRST = bytes(32)
HEADS_FILE = "heads.sqlite"
PRIVATE_FILE = "heads.key"
PUBLIC_FILE = "heads.pub"
_LINE = re.compile(r"([0-9a-f]{128}) (\{.*\})\Z")
_NAME = re.compile(r"\d\d\Z")
_HASH = re.compile(r"[0-9a-f]{64}\Z")


@dataclass(frozen=True, slots=True)
class StreamHead:
    """How far one stream goes (`size` records) and the head of its tree."""

    stream: str
    size: int
    root: bytes


@dataclass(frozen=True, slots=True)
class Head:
    """One signed head, with the line that it was read from."""

    line: str
    number: int
    made_ms: int
    key: bytes
    previous: bytes
    root: bytes
    streams: tuple[StreamHead, ...]

    @property
    def digest(self) -> bytes:
        """What the next head names as its predecessor."""
        return hashlib.sha256(_body(self.line)).digest()

    def by_stream(self) -> Mapping[str, StreamHead]:
        return {each.stream: each for each in self.streams}

    @property
    def signed(self) -> bool:
        """Whether the signature is that of the key that the line names."""
        try:
            Ed25519PublicKey.from_public_bytes(self.key).verify(bytes.fromhex(self.line[:128]), _body(self.line))
        except (InvalidSignature, ValueError):
            return False
        return True


def list_root(streams: Sequence[StreamHead]) -> bytes:
    """The head of the tree over a list of streams."""
    return root_of(leaf_of(each.stream.encode("ascii") + each.size.to_bytes(8, "big") + each.root) for each in streams)


def make_head(key: SigningKey, number: int, previous: bytes, made_ms: int, streams: Sequence[StreamHead]) -> Head:
    """Sign a head over these streams, in order of their names."""
    ordered = tuple(sorted(streams, key=lambda each: each.stream))
    root = list_root(ordered)
    members: dict[str, Any] = {
        "format": FORMAT,
        "key": key.public.hex(),
        "made_ms": made_ms,
        "number": number,
        "previous": previous.hex(),
        "root": root.hex(),
        "streams": [[each.stream, each.size, each.root.hex()] for each in ordered],
    }
    body = json.dumps(members, ensure_ascii=True, sort_keys=True, separators=(",", ":")).encode("ascii")
    return Head(f"{key.sign(body).hex()} {body.decode('ascii')}", number, made_ms, key.public, previous, root, ordered)


def read_head(line: str) -> Head:
    """A line as a Head; the signature is not yet checked (`signed`). LedgerDamaged where it is not such a line, or where its root is not
    that of its list."""
    match = _LINE.match(line)
    try:
        members = json.loads(match[2]) if match else {}
        streams = tuple(StreamHead(_shaped(_NAME, name), _counted(size), _hash(root)) for name, size, root in members["streams"])
        head = Head(
            line, _counted(members["number"]), _counted(members["made_ms"]), _hash(members["key"]), _hash(members["previous"]), _hash(members["root"]), streams
        )
    except (ValueError, KeyError, TypeError, UnicodeError) as error:
        raise LedgerDamaged("not the line of a signed head") from error
    if members.get("format") != FORMAT:
        raise LedgerDamaged(f"head {head.number} has format {members.get('format')}, which this release does not know")
    if [each.stream for each in streams] != sorted({each.stream for each in streams}):
        raise LedgerDamaged(f"head {head.number} does not list its streams once each and in order")
    if list_root(streams) != head.root:
        raise LedgerDamaged(f"head {head.number}: its root is not that of its list of streams")
    return head


def _body(line: str) -> bytes:
    return line[129:].encode("ascii", "replace")


def _shaped(shape: re.Pattern[str], text: object) -> str:
    if not isinstance(text, str) or not shape.match(text):
        raise ValueError("not of its shape")
    return text


def _hash(text: object) -> bytes:
    return bytes.fromhex(_shaped(_HASH, text))


def _counted(number: object) -> int:
    if isinstance(number, bool) or not isinstance(number, int) or number < 0:
        raise ValueError("not a count")
    return number


class SigningKey:
    """The Ed25519 key that signs the heads of one ledger."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public: bytes = key.public_key().public_bytes_raw()

    @classmethod
    def open(cls, folder: Path, *, make: bool) -> SigningKey:
        """Read the key of `folder` (PKCS#8, PEM), or with `make` make it (mode 0600) where there is none. Raises LedgerDamaged where it is
        missing and must not be made, or cannot be read."""
        path = folder / PRIVATE_FILE
        if not path.exists():
            if not make:
                raise LedgerDamaged(
                    f"{path} is missing, but heads were signed with it: put it back from its backup. Where it is lost, move {HEADS_FILE} out of the"
                    " ledger's folder and keep it: a new key is then made, and the old heads verify with the old public key"
                )
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            made = Ed25519PrivateKey.generate()
            make_once(path, made.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
        try:
            key = serialization.load_pem_private_key(path.read_bytes(), None)
        except (ValueError, TypeError) as error:
            raise LedgerDamaged(f"{path} is not a private key in PEM") from error
        if not isinstance(key, Ed25519PrivateKey):
            raise LedgerDamaged(f"{path} is not an Ed25519 key")
        public = folder / PUBLIC_FILE
        if not public.exists():
            make_once(public, key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo))
        return cls(key)

    def sign(self, body: bytes) -> bytes:
        return self._key.sign(body)


def read_public_key(path: Path) -> bytes:
    """The 32 bytes of an Ed25519 public key in PEM. LedgerError where it is none; OSError where it cannot be read."""
    try:
        key = serialization.load_pem_public_key(path.read_bytes())
    except ValueError as error:
        raise LedgerError(f"{path} is not a public key in PEM") from error
    if not isinstance(key, Ed25519PublicKey):
        raise LedgerError(f"{path} is not an Ed25519 key")
    return key.public_bytes_raw()


def stored_lines(directory: Path) -> list[tuple[int, str]]:
    """The heads in a ledger, number and line, in order; empty where it has none yet. Raises sqlite3.Error, LedgerError."""
    path = directory / HEADS_FILE
    if not path.exists():
        return []
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)) as connection:
        connection.execute("PRAGMA busy_timeout=2000")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version not in (0, SCHEMA):
            raise LedgerError(f"{path} has layout {version}, this release reads layout {SCHEMA}")
        return connection.execute("SELECT number, line FROM heads ORDER BY number").fetchall() if version else []


def witness_lines(path: Path) -> list[str]:
    """The lines of a witness file. What a kill in the middle of a write left counts for nothing: a last line without its end, and a line that the
    next one begins with."""
    text = path.read_text(encoding="ascii", errors="replace")
    lines = [line for line in text[: text.rfind("\n") + 1].split("\n") if line.strip()]
    return [line for at, line in enumerate(lines) if at + 1 == len(lines) or lines[at + 1] == line or not lines[at + 1].startswith(line)]
