#!/usr/bin/env python3
"""Verify a Trivet ledger, or a proof from one, without Trivet.

One file that needs Python 3.11 and `cryptography`, and shares no code with the software that writes the ledger: it was written from the
description of the format (cds/audit/README.md) and RFC 9162. It opens the ledger's files for reading only; a copy will do. It needs no key
and reads nothing of a patient: evidence is hashed, never shown.

    python verify_ledger.py LEDGER [--witness FILE] [--key heads.pub]
    python verify_ledger.py --proof FILE [--witness FILE] [--key heads.pub]

`--witness` is the file of signed heads that was kept where the ledger's writer cannot reach; `--key` the public key, in PEM or as 64
hexadecimal digits. Exit code 0: everything agrees. 1: something does not, and is named. 2: nothing could be verified.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

ZERO = bytes(32)
NO_WITNESS = (
    "Without heads kept elsewhere it cannot be excluded that the newest records were cut off together with their heads, that the last stream was "
    "removed whole where no head knows it, or that whoever has the signing key wrote the ledger anew."
)
NO_HEADS = "This ledger has no signed heads: it cannot be excluded that its end was cut off or added to, or that all of it was written anew."
NO_KEY = "The public key was taken from the heads themselves: compare it with the one that you were given."
WITNESSED = "Records after the last head that the witness holds can have been cut off or written anew by whoever has the signing key."


def sha256(*parts: bytes) -> bytes:
    return hashlib.sha256(b"".join(parts)).digest()


# RFC 9162 ---------------------------------------------------------------------------------------------------------------------------


def leaf_hash(data: bytes) -> bytes:
    """Section 2.1.1."""
    return sha256(b"\x00", data)


class Tree:
    """Leaf hashes level by level; `levels[k][i]` is the head of the whole subtree over leaves i * 2^k to (i + 1) * 2^k - 1."""

    def __init__(self) -> None:
        self.levels: list[list[bytes]] = [[]]

    def __len__(self) -> int:
        return len(self.levels[0])

    def add(self, leaf: bytes) -> None:
        level = 0
        self.levels[0].append(leaf)
        while len(self.levels[level]) % 2 == 0:
            if level + 1 == len(self.levels):
                self.levels.append([])
            self.levels[level + 1].append(sha256(b"\x01", *self.levels[level][-2:]))
            level += 1

    def head(self, size: int | None = None) -> bytes:
        """MTH over the first `size` leaves, by the definition: split at the largest power of two smaller than the size."""
        size = len(self) if size is None else size
        return self._mth(0, size) if size else sha256()

    def _mth(self, start: int, size: int) -> bytes:
        if size & (size - 1) == 0:
            return self.levels[size.bit_length() - 1][start // size]
        half = 1
        while half * 2 < size:
            half *= 2
        return sha256(b"\x01", self._mth(start, half), self._mth(start + half, size - half))


def included(leaf: bytes, index: int, size: int, path: list[bytes], root: bytes) -> bool:
    """Section 2.1.3.2."""
    if index >= size:
        return False
    fn, sn, found = index, size - 1, leaf
    for node in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            found = sha256(b"\x01", node, found)
            while not fn & 1 and fn:
                fn >>= 1
                sn >>= 1
        else:
            found = sha256(b"\x01", found, node)
        fn >>= 1
        sn >>= 1
    return sn == 0 and found == root


def consistent(first: int, second: int, first_root: bytes, second_root: bytes, path: list[bytes]) -> bool:
    """Section 2.1.4.2; the tree over nothing is consistent with every tree."""
    if first == second:
        return not path and first_root == second_root
    if first == 0:
        return not path and first_root == sha256()
    if first > second or not path:
        return False
    if first & (first - 1) == 0:
        path = [first_root, *path]
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn >>= 1
        sn >>= 1
    fr = sr = path[0]
    for node in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = sha256(b"\x01", node, fr), sha256(b"\x01", node, sr)
            while not fn & 1 and fn:
                fn >>= 1
                sn >>= 1
        else:
            sr = sha256(b"\x01", sr, node)
        fn >>= 1
        sn >>= 1
    return sn == 0 and fr == first_root and sr == second_root


# Signed heads -----------------------------------------------------------------------------------------------------------------------


class Head(NamedTuple):
    line: str
    number: int
    key: str
    previous: str
    streams: dict[str, tuple[int, bytes]]
    faults: list[str]

    @property
    def digest(self) -> str:
        return sha256(self.line[129:].encode()).hex()


def signed(key: str, signature: str, body: bytes) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)).verify(bytes.fromhex(signature), body)
    except (InvalidSignature, ValueError):
        return False
    return True


def head_of(line: str, trusted: str | None) -> Head | None:
    """One line: 128 hexadecimal digits, a space, and the JSON body that they sign. None where it is nothing of the kind."""
    signature, _, text = line.partition(" ")
    try:
        body = json.loads(text)
        listed = [(str(name), int(size), bytes.fromhex(root)) for name, size, root in body["streams"]]
        head = Head(line, int(body["number"]), str(body["key"]), str(body["previous"]), {name: (size, root) for name, size, root in listed}, [])
        root, form = str(body["root"]), body["format"]
    except (ValueError, KeyError, TypeError):
        return None
    if form != 1:
        head.faults.append(f"format {form} is not known to this verifier")
    if len(signature) != 128 or not signed(head.key, signature, text.encode()):
        head.faults.append("its signature is not that of its body")
    if head.key != (trusted or head.key):
        head.faults.append("it is signed with another key than the trusted one")
    tree = Tree()
    for name, size, stream_root in listed:
        tree.add(leaf_hash(name.encode() + size.to_bytes(8, "big") + stream_root))
    if tree.head().hex() != root:
        head.faults.append("its root is not that of its list of streams")
    if [name for name, _, _ in listed] != sorted(head.streams):
        head.faults.append("its streams are not listed once each and in order")
    return head


def lines_of(path: Path) -> list[str]:
    """The lines of a witness file, without what a write that was cut short left behind."""
    text = path.read_text(encoding="ascii", errors="replace")
    whole = [line for line in text.split("\n")[:-1] if line.strip()]
    return [line for line, following in zip(whole, [*whole[1:], ""], strict=True) if line == following or not following.startswith(line)]


def key_of(text: str) -> str:
    """The trusted key as 64 hexadecimal digits: given so, or in a PEM file."""
    if re.fullmatch(r"[0-9a-f]{64}", text):
        return text
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    key = load_pem_public_key(Path(text).read_bytes())
    if not isinstance(key, Ed25519PublicKey):
        raise ValueError(f"{text} is not an Ed25519 key")
    return key.public_bytes_raw().hex()


# The ledger -------------------------------------------------------------------------------------------------------------------------


class Ledger:
    """One verification: `say` collects what does not agree."""

    def __init__(self, folder: Path, witness: list[str], trusted: str | None) -> None:
        self.folder = folder
        self.found: list[str] = []
        self.limits: list[str] = []
        self.records = 0
        self.witness = [head for at, line in enumerate(witness, 1) if (head := self._head(line, trusted, f"line {at} of the witness"))]
        self.trusted = trusted or (self.witness[0].key if self.witness else None)
        self.key_was_given = self.trusted is not None
        self.heads = self._stored()

    def say(self, what: str) -> None:
        self.found.append(what)

    def _head(self, line: str, trusted: str | None, name: str) -> Head | None:
        head = head_of(line, trusted)
        if head is None:
            self.say(f"{name} is not a signed head")
        return head

    def _stored(self) -> list[Head]:
        path = self.folder / "heads.sqlite"
        if not path.exists():
            return []
        heads: list[Head] = []
        try:
            with closing(opened(path)) as connection:
                rows = connection.execute("SELECT number, line FROM heads ORDER BY number").fetchall()
        except sqlite3.Error as error:
            self.say(f"the signed heads cannot be read: {error}")
            return []
        for expected, (number, line) in enumerate(rows, 1):
            head = self._head(line, self.trusted, f"head {number}")
            if head is not None:
                self.trusted = self.trusted or head.key
                if head.key != self.trusted:
                    head.faults.append("it is signed with another key than the heads before")
                heads.append(head)
                if not expected == number == head.number:
                    self.say(f"head {expected} is missing, or head {number} is in the wrong place")
        return heads

    def verify(self) -> None:
        self._heads()
        wanted: dict[str, dict[int, set[tuple[int, str, bytes]]]] = {}
        for whose, heads in (("", self.heads), (" of the witness", self.witness)):
            for head in heads:
                for name, (size, root) in head.streams.items():
                    wanted.setdefault(name, {}).setdefault(size, set()).add((head.number, whose, root))
        there = sorted(path.name[7:9] for path in self.folder.glob("stream-[0-9][0-9].sqlite"))
        for name in sorted({f"{slot:02d}" for slot in range(int(there[-1]) if there else 0)} | set(wanted)):
            if name not in there:
                self.say(f"stream {name} is gone")
        for name in there:
            self._stream(name, wanted.get(name, {}))
        if not self.heads and not self.witness:
            self.limits.append(NO_HEADS)
        else:
            self.limits.append(WITNESSED if self.witness else NO_WITNESS)
            if not self.key_was_given:
                self.limits.append(NO_KEY)

    def _heads(self) -> None:
        before: Head | None = None
        for head in self.heads:
            for fault in head.faults:
                self.say(f"head {head.number}: {fault}")
            if head.previous != (before.digest if before else ZERO.hex()):
                self.say(f"head {head.number} does not follow the head before")
            for name, (size, _) in before.streams.items() if before else ():
                if head.streams.get(name, (0, b""))[0] < size:
                    self.say(f"head {head.number} has fewer records of stream {name} than the head before")
            before = head
        here = {head.number: head.line for head in self.heads}
        for head in self.witness:
            for fault in head.faults:
                self.say(f"head {head.number} of the witness: {fault}")
            if here.get(head.number) != head.line:
                self.say(f"head {head.number} of the witness is {'not that of the ledger' if head.number in here else 'not in the ledger'}")

    def _stream(self, name: str, wanted: dict[int, set[tuple[int, str, bytes]]]) -> None:
        tree, last, agreed, differs, key_named = Tree(), ZERO, 0, False, False
        expected = 1
        cards: set[tuple[str, int]] = set()
        announced: set[bytes] = set()
        try:
            with closing(opened(self.folder / f"stream-{name}.sqlite")) as connection:
                rows = connection.execute(
                    "SELECT e.sequence, e.format, e.header, e.commitment, e.previous, e.hash, v.salt, v.body, v.encoding"
                    " FROM entries e LEFT JOIN evidence v ON v.sequence = e.sequence ORDER BY e.sequence"
                )
                for sequence, form, header, commitment, previous, digest, salt, body, encoding in rows:
                    place = f"{name}:{sequence}"
                    if sequence != expected:
                        self.say(f"{place}: records {expected} to {sequence - 1} are missing")
                    expected = sequence + 1
                    members = self._header(place, header)
                    if (members.get("stream"), members.get("sequence"), members.get("format")) != (name, sequence, form):
                        self.say(f"{place}: the header is of another place or format")
                    if form != 1 or len(commitment) != 32:
                        self.say(f"{place}: the format is not known to this verifier")
                    leaf = leaf_hash(header + commitment)
                    if sha256(b"\x02", previous, leaf) != digest:
                        self.say(f"{place}: the hash is not that of header, commitment and predecessor")
                    if previous != last:
                        self.say(f"{place}: does not follow the record before")
                    if salt is None or body is None:
                        self.say(f"{place}: the evidence is missing")
                    elif len(salt) != 32 or sha256(salt, body) != commitment:
                        self.say(f"{place}: the evidence is not what the record commits to")
                    elif encoding != "plain":
                        self.say(f"{place}: the evidence is said to be {encoding}, and is plain")
                    facts = members.get("facts") or {}
                    key_named = key_named or "head_key" in facts
                    cards |= {(card, sequence) for card in members.get("cards", ())}
                    if members.get("kind") == "blob":
                        announced.add(bytes.fromhex(facts.get("sha256", "")))
                    last = digest
                    tree.add(leaf)
                    for number, whose, root in sorted(wanted.get(len(tree), ())):
                        if root == tree.head():
                            agreed = len(tree)
                        elif not differs:
                            differs = True
                            self.say(f"stream {name}: head {number}{whose} was signed over other records; the change is among {agreed + 1} to {len(tree)}")
                loose = connection.execute("SELECT sequence FROM evidence WHERE sequence NOT IN (SELECT sequence FROM entries)").fetchall()
                self._beside(name, connection, cards, announced, expected - 1)
        except (sqlite3.Error, TypeError, ValueError) as error:
            self.say(f"stream {name} cannot be read after record {expected - 1}: {error}")
            return
        self.records += len(tree)
        for (sequence,) in loose:
            self.say(f"{name}:{sequence}: evidence without a record")
        beyond = [(size, number, whose) for size, said in wanted.items() if size > len(tree) for number, whose, _ in said]
        if beyond:
            size, number, whose = max(beyond)
            self.say(f"stream {name}: head {number}{whose} was signed over {size} records, here are {len(tree)}: the end was cut off")
        if key_named and not self.heads and not self.witness:
            self.say(f"stream {name}: its records say that heads are signed, and there is no head")

    def _beside(self, name: str, connection: sqlite3.Connection, cards: set[tuple[str, int]], announced: set[bytes], last: int) -> None:
        """The look-up of cards, and what many records refer to. A writer may have gone on meanwhile."""
        looked_up = {(card, at) for card, at in connection.execute("SELECT card, sequence FROM cards WHERE sequence <= ?", (last,))}
        for card, at in sorted(looked_up ^ cards):
            self.say(f"{name}:{at}: the look-up of card {card} does not agree with the header")
        stored: set[bytes] = set()
        for digest, body in connection.execute("SELECT hash, body FROM blobs"):
            stored.add(digest)
            if sha256(body) != digest:
                self.say(f"stream {name}: blob {digest.hex()} is not what its hash says")
        newest = connection.execute("SELECT max(sequence) FROM entries").fetchone()[0] or 0
        for digest in sorted((announced - stored) | (stored - announced if newest <= last else set())):
            self.say(f"stream {name}: blob {digest.hex()} {'is missing' if digest in announced else 'was never announced'}")

    def _header(self, place: str, header: bytes) -> dict[str, Any]:
        try:
            members = json.loads(header)
        except ValueError:
            members = None
        if not isinstance(members, dict):
            self.say(f"{place}: the header is not JSON")
            return {}
        return members


def opened(path: Path) -> sqlite3.Connection:
    """A file of the ledger, for reading only. On a medium that cannot be written at all SQLite must be told that nobody writes; that would leave out a
    log that was not copied into the file yet, so with such a log it stays an error."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        log = path.with_name(f"{path.name}-wal")
        if log.exists() and log.stat().st_size:
            raise
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    return connection


# Proofs -----------------------------------------------------------------------------------------------------------------------------


def verify_proof(proof: dict[str, Any], witness: list[str], trusted: str | None) -> list[str]:
    """What does not agree in a proof; empty if nothing. KeyError, ValueError or TypeError where it is not a proof."""
    if proof["format"] != 1:
        raise ValueError(f"format {proof['format']} is not known to this verifier")
    names = {"inclusion": ("head",), "consistency": ("first", "second")}[proof["proves"]]
    heads: list[Head] = []
    said: list[str] = []
    for name in names:
        head = head_of(proof[name], trusted)
        if head is None:
            return [f"{name} is not a signed head"]
        said += (f"head {head.number}: {fault}" for fault in head.faults)
        heads.append(head)
    if heads[0].key != heads[-1].key:
        said.append("the two heads are signed with different keys")
    if witness and not any(head.line in witness for head in heads):
        said.append("no head of the proof is one that the witness holds")
    if len(heads) == 1:
        record = proof["record"]
        size, root = heads[0].streams.get(record["stream"], (0, b""))
        members = json.loads(record["header"])
        if (members.get("stream"), members.get("sequence")) != (record["stream"], record["sequence"]):
            said.append("the header is of another record")
        leaf = leaf_hash(record["header"].encode() + bytes.fromhex(record["commitment"]))
        if not included(leaf, record["sequence"] - 1, size, [bytes.fromhex(node) for node in proof["path"]], root):
            said.append(f"record {record['stream']}:{record['sequence']} is not under head {heads[0].number}")
        return said
    first, second = heads
    for name, (size, root) in first.streams.items():
        later, later_root = second.streams.get(name, (0, b""))
        path = [bytes.fromhex(node) for node in proof["paths"].get(name, ())]
        if not consistent(size, later, root, later_root, path):
            said.append(f"stream {name}: head {second.number} is not shown to have only added to head {first.number}")
    return said


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Verify a Trivet ledger or a proof from one, without Trivet.")
    parser.add_argument("ledger", nargs="?", type=Path, help="the ledger's folder, or a copy of it")
    parser.add_argument("--proof", type=Path, help="a proof as `trivet ledger proof` writes it; - reads standard input")
    parser.add_argument("--witness", type=Path, help="the signed heads that were kept elsewhere")
    parser.add_argument("--key", help="the trusted public key: a PEM file, or 64 hexadecimal digits")
    given = parser.parse_args(arguments)
    if (given.ledger is None) == (given.proof is None):
        parser.error("give either a ledger's folder or a proof")
    try:
        witness = lines_of(given.witness) if given.witness else []
        trusted = key_of(given.key) if given.key else None
        if given.proof:
            proof = json.loads(sys.stdin.read() if str(given.proof) == "-" else given.proof.read_text(encoding="utf-8"))
            found = verify_proof(proof, witness, trusted)
            limits = [] if trusted or witness else [NO_KEY]
            told = f"The proof of {proof['proves']}"
        elif not given.ledger.is_dir():
            raise ValueError(f"there is no folder {given.ledger}")
        else:
            ledger = Ledger(given.ledger, witness, trusted)
            ledger.verify()
            found, limits = ledger.found, ledger.limits
            told = f"{ledger.records} records under {len(ledger.heads)} signed heads"
    except (OSError, ValueError, KeyError, TypeError, ImportError) as error:
        print(f"verify_ledger: {error}", file=sys.stderr)
        return 2
    for what in found:
        print(f"DAMAGED {what}")
    print(f"{told}: {f'{len(found)} disagreements' if found else 'nothing disagrees'}.")
    for limit in limits:
        print(limit)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
