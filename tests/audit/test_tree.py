"""The tree of RFC 9162, in the writer and in the stand-alone verifier, against published vectors and against each other (AU-22 to AU-24).

Outside vectors: the eight leaves of the Certificate Transparency project's own tests of RFC 6962 (Laurie, Langley, Kasper 2013, section 2.1; the
tree of RFC 9162 section 2.1 is the same), with roots, inclusion paths and consistency paths as its reference tests print them; read in several
public copies of these tests.
"""

from __future__ import annotations

import hashlib

import pytest

from cds.audit import tree as tree_module
from cds.audit.errors import LedgerDamaged
from cds.audit.tree import EMPTY, Frontier, consistency_path, inclusion_path, leaf_of, root_of
from tests.audit.signed import verifier

ALONE = verifier()
DATA = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAF_1 = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
LEAF_4 = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
LEAF_6 = "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f"
PAIR_23 = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
PAIR_45 = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
PAIR_67 = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
FOUR_47 = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
INCLUSION = [  # leaf counted from 0, tree size, path
    (0, 1, []),
    (0, 8, [LEAF_1, PAIR_23, FOUR_47]),
    (5, 8, [LEAF_4, PAIR_67, ROOTS[4]]),
    (2, 3, [ROOTS[2]]),
    (1, 5, [ROOTS[1], PAIR_23, LEAF_4]),
]
CONSISTENCY = [  # smaller size, larger size, path
    (1, 1, []),
    (1, 8, [LEAF_1, PAIR_23, FOUR_47]),
    (6, 8, [PAIR_45, PAIR_67, ROOTS[4]]),
    (2, 5, [PAIR_23, LEAF_4]),
    (6, 7, [PAIR_45, LEAF_6, ROOTS[4]]),
]
LEAVES = [leaf_of(bytes.fromhex(data)) for data in DATA]
MANY = [leaf_of(index.to_bytes(2, "big")) for index in range(64)]


def head_alone(leaves: list[bytes]) -> bytes:
    tree = ALONE.Tree()
    for leaf in leaves:
        tree.add(leaf)
    return bytes(tree.head())


def hexed(nodes: list[bytes]) -> list[str]:
    return [node.hex() for node in nodes]


def check_roots() -> None:
    for size, root in enumerate(ROOTS):
        leaves = [tree_module.leaf_of(bytes.fromhex(data)) for data in DATA[:size]]
        assert root_of(leaves).hex() == root == head_alone(leaves).hex()


def test_au_22_roots_of_the_published_tree() -> None:
    check_roots()
    assert hashlib.sha256(b"").digest() == EMPTY


def test_control_au_22_without_the_prefixes_the_roots_differ(monkeypatch: pytest.MonkeyPatch) -> None:
    for prefix in ("_LEAF", "_NODE"):
        monkeypatch.setattr(tree_module, prefix, b"")
        with pytest.raises(AssertionError):
            check_roots()
        monkeypatch.undo()


@pytest.mark.parametrize(("index", "size", "path"), INCLUSION)
def test_au_23_inclusion_paths_of_the_published_tree(index: int, size: int, path: list[str]) -> None:
    assert hexed(inclusion_path(LEAVES[:size], index)) == path
    assert ALONE.included(LEAVES[index], index, size, [bytes.fromhex(node) for node in path], bytes.fromhex(ROOTS[size]))


@pytest.mark.parametrize(("first", "second", "path"), CONSISTENCY)
def test_au_24_consistency_paths_of_the_published_tree(first: int, second: int, path: list[str]) -> None:
    assert hexed(consistency_path(LEAVES[:second], first)) == path
    roots = bytes.fromhex(ROOTS[first]), bytes.fromhex(ROOTS[second])
    assert ALONE.consistent(first, second, *roots, [bytes.fromhex(node) for node in path])


def test_au_23_every_leaf_of_every_tree_up_to_64_and_nothing_else() -> None:
    for size in range(1, 65):
        root = root_of(MANY[:size])
        assert root == head_alone(MANY[:size])
        for index in range(size):
            path = inclusion_path(MANY[:size], index)
            assert ALONE.included(MANY[index], index, size, path, root)
            assert not ALONE.included(MANY[index], index + 1, size, path, root)
            assert not ALONE.included(MANY[(index + 1) % 64], index, size, path, root)
            assert not ALONE.included(MANY[index], index, size, [*path, root], root)
            for at in range(len(path)):
                assert not ALONE.included(MANY[index], index, size, [*path[:at], flipped(path[at]), *path[at + 1 :]], root)
                assert not ALONE.included(MANY[index], index, size, path[:at], root)


def test_au_24_all_pairs_up_to_64_are_consistent_and_a_replaced_record_is_not() -> None:
    roots = [root_of(MANY[:size]) for size in range(65)]
    for second in range(1, 65):
        for first in range(1, second + 1):
            path = consistency_path(MANY[:second], first)
            assert ALONE.consistent(first, second, roots[first], roots[second], path)
            assert not ALONE.consistent(first, second, flipped(roots[first]), roots[second], path)
            changed = [*MANY[: first - 1], leaf_of(b"other"), *MANY[first:second]]
            assert not ALONE.consistent(first, second, roots[first], root_of(changed), consistency_path(changed, first))
            for at in range(len(path)):
                assert not ALONE.consistent(first, second, roots[first], roots[second], [*path[:at], flipped(path[at]), *path[at + 1 :]])


def flipped(node: bytes) -> bytes:
    return bytes([node[0] ^ 1]) + node[1:]


def test_heads_of_every_size_from_one_tree() -> None:
    tree, frontier = ALONE.Tree(), Frontier()
    for leaf in MANY:
        tree.add(leaf)
    for size in range(65):
        assert tree.head(size) == frontier.root()
        assert Frontier(size, frontier.nodes).root() == frontier.root()
        if size < 64:
            frontier.push(MANY[size])


@pytest.mark.parametrize("nodes", [[], [bytes(32)] * 3, [bytes(31)] * 2])
def test_subtrees_that_do_not_fit_the_size_are_refused(nodes: list[bytes]) -> None:
    with pytest.raises(LedgerDamaged):
        Frontier(3, nodes)


def test_what_is_outside_the_tree_has_no_path() -> None:
    for index in (-1, 3):
        with pytest.raises(ValueError):
            inclusion_path(MANY[:3], index)
    for size in (0, 4):
        with pytest.raises(ValueError):
            consistency_path(MANY[:3], size)
    assert not ALONE.included(MANY[0], 1, 1, [], MANY[0])
    assert not ALONE.consistent(2, 1, MANY[0], MANY[0], [MANY[0]])
    assert ALONE.consistent(0, 1, EMPTY, MANY[0], []) and not ALONE.consistent(0, 1, MANY[1], MANY[0], [])
