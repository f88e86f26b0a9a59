"""Proofs for somebody who does not have the ledger: that a record is under a signed head, and that one head only added to another (AU-23, AU-24).

Both are JSON objects, checked by `deploy/verify_ledger.py`, which shares no code with this package. An inclusion proof holds the record's header
and commitment, never its evidence.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cds.audit.errors import LedgerError
from cds.audit.heads import Head, read_head, stored_lines
from cds.audit.read import LedgerReader
from cds.audit.record import leaf_hash
from cds.audit.tree import consistency_path, inclusion_path

FORMAT = 1


class NotCovered(LedgerError):
    """There is no such head, or it does not cover what is asked for."""


def head_of(directory: Path, number: int | None = None) -> Head:
    """A signed head of the ledger by its number; the newest without one. NotCovered where there is none."""
    lines = dict(stored_lines(directory))
    if not lines:
        raise NotCovered("this ledger has no signed head yet; the service signs the first when it starts")
    chosen = max(lines) if number is None else number
    if chosen not in lines:
        raise NotCovered(f"there is no signed head {chosen}; the newest is {max(lines)}")
    return read_head(lines[chosen])


def inclusion_proof(directory: Path, stream: str, sequence: int, number: int | None = None) -> dict[str, Any]:
    """That a record is under a head (the newest, or that of `number`). LedgerError where the record does not exist, NotCovered where the head
    does not reach it."""
    reader = LedgerReader(directory)
    record = reader.get(stream, sequence)
    if record is None:
        raise LedgerError(f"there is no record {stream}:{sequence}")
    head = head_of(directory, number)
    under = head.by_stream().get(stream)
    if under is None or sequence > under.size:
        raise NotCovered(f"record {stream}:{sequence} is not under head {head.number} yet; the next head is signed within minutes")
    path = inclusion_path(_leaves(reader, stream, under.size), sequence - 1)
    return {
        "format": FORMAT,
        "proves": "inclusion",
        "record": {"stream": stream, "sequence": sequence, "header": record.header_bytes.decode("ascii", "replace"), "commitment": record.commitment.hex()},
        "path": [node.hex() for node in path],
        "head": head.line,
    }


def consistency_proof(directory: Path, first: int, second: int | None = None) -> dict[str, Any]:
    """That the ledger under head `second` (the newest without one) only added to the ledger under head `first`."""
    earlier, later = head_of(directory, first), head_of(directory, second)
    if earlier.number > later.number:
        raise NotCovered(f"head {later.number} is older than head {earlier.number}")
    reader, sizes = LedgerReader(directory), later.by_stream()
    paths: dict[str, list[str]] = {}
    for each in earlier.streams:
        if each.stream not in sizes or sizes[each.stream].size < each.size:
            raise LedgerError(f"stream {each.stream}: head {later.number} does not reach as far as head {earlier.number}; see `trivet ledger verify`")
        paths[each.stream] = [node.hex() for node in consistency_path(_leaves(reader, each.stream, sizes[each.stream].size), each.size)]
    return {"format": FORMAT, "proves": "consistency", "first": earlier.line, "second": later.line, "paths": paths}


def _leaves(reader: LedgerReader, stream: str, size: int) -> list[bytes]:
    leaves: list[bytes] = []
    for entry in reader.entries(stream):
        if len(leaves) == size:
            break
        leaves.append(leaf_hash(entry.header_bytes, entry.commitment))
    if len(leaves) < size:
        raise LedgerError(f"stream {stream} has {len(leaves)} records, and a head was signed over {size}; see `trivet ledger verify`")
    return leaves
