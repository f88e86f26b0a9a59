"""The Merkle tree of RFC 9162 (section 2.1), over leaves that are already hashed.

Leaf = SHA-256(0x00 || data), node = SHA-256(0x01 || left || right), and the tree over nothing is SHA-256 of nothing. A list of n > 1 leaves
is split at the largest power of two smaller than n. The prefixes keep a node from posing as a leaf.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

from cds.audit.errors import LedgerDamaged

HASH_BYTES = 32
EMPTY = hashlib.sha256(b"").digest()
_LEAF, _NODE = b"\x00", b"\x01"


def leaf_of(data: bytes) -> bytes:
    """The hash of one leaf."""
    return hashlib.sha256(_LEAF + data).digest()


def node_of(left: bytes, right: bytes) -> bytes:
    """The hash of an inner node."""
    return hashlib.sha256(_NODE + left + right).digest()


class Frontier:
    """A tree that only grows, as the roots of its whole subtrees, largest first: one for each bit of its size."""

    __slots__ = ("nodes", "size")

    def __init__(self, size: int = 0, nodes: Iterable[bytes] = ()) -> None:
        """Raises LedgerDamaged where the nodes are not as many as the size asks for."""
        self.size = size
        self.nodes = list(nodes)
        if size < 0 or len(self.nodes) != size.bit_count() or any(len(node) != HASH_BYTES for node in self.nodes):
            raise LedgerDamaged(f"a tree of {size} leaves has other subtrees than these")

    def push(self, leaf: bytes) -> None:
        """Add the hash of one more leaf. Each trailing one bit of the size is a whole subtree that it completes."""
        size = self.size
        while size & 1:
            leaf = node_of(self.nodes.pop(), leaf)
            size >>= 1
        self.nodes.append(leaf)
        self.size += 1

    def root(self) -> bytes:
        """The tree head over all leaves so far."""
        if not self.nodes:
            return EMPTY
        found = self.nodes[-1]
        for node in reversed(self.nodes[:-1]):
            found = node_of(node, found)
        return found

    def copy(self) -> Frontier:
        return Frontier(self.size, self.nodes)


def root_of(leaves: Iterable[bytes]) -> bytes:
    """The tree head over these leaf hashes."""
    frontier = Frontier()
    for leaf in leaves:
        frontier.push(leaf)
    return frontier.root()


def inclusion_path(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The audit path (section 2.1.3) from leaf `index`, counted from 0, to the head over all of `leaves`."""
    if not 0 <= index < len(leaves):
        raise ValueError(f"leaf {index} of {len(leaves)}")
    path: list[bytes] = []
    low, high = 0, len(leaves)
    while high - low > 1:
        split = low + _split(high - low)
        if index < split:
            path.append(root_of(leaves[split:high]))
            high = split
        else:
            path.append(root_of(leaves[low:split]))
            low = split
    return path[::-1]


def consistency_path(leaves: Sequence[bytes], size: int) -> list[bytes]:
    """What shows that the head over the first `size` leaves is of the beginning of `leaves` (section 2.1.4)."""
    if not 0 < size <= len(leaves):
        raise ValueError(f"{size} of {len(leaves)} leaves")
    path: list[bytes] = []
    low, high, whole = 0, len(leaves), True
    while size != high:
        split = low + _split(high - low)
        if size <= split:
            path.append(root_of(leaves[split:high]))
            high = split
        else:
            path.append(root_of(leaves[low:split]))
            low, whole = split, False
    return path[::-1] if whole else [root_of(leaves[low:high]), *path[::-1]]


def _split(count: int) -> int:
    return 1 << ((count - 1).bit_length() - 1)
