"""Each way to tamper with a signed ledger, and what `verify` and the stand-alone verifier say of it (AU-21, AU-25, AU-27, L-21).

Each class has its control: the check that finds it taken out, and the same test is red.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from cds.audit import verify as verify_module
from cds.audit import verify_heads as verify_heads_module
from cds.audit.heads import FIRST, HEADS_FILE, PUBLIC_FILE, Head, SigningKey, StreamHead, make_head, read_head, read_public_key, stored_lines, witness_lines
from cds.audit.record import commitment, entry_hash, leaf_hash
from cds.audit.tree import root_of
from cds.audit.verify import LIMITS, SIGNED, WITNESSED, verify
from tests.audit.ledgers import NOW_MS
from tests.audit.signed import Place, said_by_verifier, verifier
from tests.audit.test_tampering import CLASSES, rewritten, tampered

Change = Callable[[Place], None]


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Eleven records under three heads, with a blob among them; all of it in the database file."""
    place = Place(tmp_path_factory.mktemp("original"))
    place.filled(4, 5)
    keeper = place.keeper()
    with place.writer(keeper) as ledger:
        ledger.keep_blob("knowledge", b"[parameters]", received_ms=NOW_MS)
    keeper.close()
    for file in ("stream-00.sqlite", HEADS_FILE):
        connection = sqlite3.connect(place.ledger / file)
        connection.execute("PRAGMA journal_mode=DELETE").fetchall()
        connection.close()
    assert len(stored_lines(place.ledger)) == 4
    return place


@pytest.fixture
def place(original: Place, tmp_path: Path) -> Place:
    shutil.copytree(original.root, tmp_path / "copy")
    return Place(tmp_path / "copy")


def found(place: Place, *, witness: bool = False) -> list[str]:
    lines = witness_lines(place.witness) if witness else ()
    return [str(finding) for finding in verify(place.ledger, lines=lines).findings]


def heads_changed(place: Place, *statements: str) -> None:
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement)
    connection.close()


def lines_stored(place: Place, lines: list[str]) -> None:
    heads_changed(place, "DELETE FROM heads")
    connection = sqlite3.connect(place.ledger / HEADS_FILE, isolation_level=None)
    connection.executemany("INSERT INTO heads VALUES (?, ?)", list(enumerate(lines, 1)))
    connection.close()


def test_untouched_both_agree(place: Place) -> None:
    assert found(place) == found(place, witness=True) == said_by_verifier(place) == said_by_verifier(place, witness=True) == []


@pytest.mark.parametrize("name", CLASSES)
def test_au_21_each_class_of_tampering_is_found_by_the_verifier_alone(place: Place, name: str) -> None:
    steps, said = CLASSES[name]
    tampered(place.ledger, *steps)
    sequence = said.split(":")[1] if said.startswith("00:") else ""
    assert any(f"00:{sequence}" in line for line in said_by_verifier(place)) if sequence else said_by_verifier(place)


NO_CHAIN = (('sha256(b"\\x02", previous, leaf) != digest', "False"), ("previous != last", "False"))
NO_ROOT = ("if root == tree.head():", "if True:")
NO_NUMBERS = ("not expected == number == head.number", "False")
MUTATED: dict[str, tuple[tuple[str, str], ...]] = {
    "header byte": (
        *NO_CHAIN,
        NO_ROOT,
        ("sorted(looked_up ^ cards)", "()"),
        ('self.say(f"{place}: the header is not JSON")', "pass"),
        ("!= (name, sequence, form)", "is None"),
    ),
    "previous byte": NO_CHAIN,
    "hash byte": NO_CHAIN,
    "evidence byte": (("or sha256(salt, body) != commitment", ""),),
    "evidence gone": (("if salt is None or body is None:", "if salt is None: pass\n                    elif body is None:"),),
    "evidence added": (("for (sequence,) in loose:", "for (sequence,) in ():"),),
    "card look-up changed": (("sorted(looked_up ^ cards)", "()"),),
    "blob byte": (("if sha256(body) != digest:", "if False:"),),
    "blob gone": (("(announced - stored) | ", ""),),
    "blob added": ((" | (stored - announced if newest <= last else set())", ""), ("if sha256(body) != digest:", "if False:")),
}


@pytest.mark.parametrize("name", MUTATED)
def test_control_au_21_without_its_check_the_verifier_alone_finds_nothing(place: Place, name: str) -> None:
    tampered(place.ledger, *CLASSES[name][0])
    assert said_by_verifier(place)
    assert said_by_verifier(place, module=verifier(*MUTATED[name])) == []


def cells(place: Place) -> list[tuple[str, str, str, str, object]]:
    """Every stored value of a ledger, but for the trees beside the heads, which are made again at will."""
    listed: list[tuple[str, str, str, str, object]] = []
    for file, tables in (("stream-00.sqlite", ("entries", "evidence", "cards", "blobs")), (HEADS_FILE, ("heads",))):
        connection = sqlite3.connect(place.ledger / file)
        for table in tables:
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            key = columns[0]
            for row in connection.execute(f"SELECT * FROM {table}").fetchall():
                listed += ((file, table, key, column, row[0]) for column in columns)
        connection.close()
    return listed


def flipped(value: int | str | bytes, at: float) -> int | str | bytes:
    if isinstance(value, int):
        return value + 500
    if isinstance(value, str):
        place = int(at * (len(value) - 1))
        return f"{value[:place]}{'x' if value[place] != 'x' else 'y'}{value[place + 1 :]}"
    body = bytearray(value)
    body[int(at * (len(body) - 1))] ^= 1
    return bytes(body)


@pytest.mark.parametrize("at", [0.0, 0.37, 1.0])
def test_au_21_a_bit_flipped_in_any_stored_value_is_found_by_both(place: Place, at: float) -> None:
    """Every value of every row is changed, looked at, and put back."""
    heads_changed(place)
    tampered(place.ledger)
    unseen: list[tuple[str, object, str]] = []
    listed = cells(place)
    assert len(listed) > 100
    for file, table, key, column, row in listed:
        connection = sqlite3.connect(place.ledger / file, isolation_level=None)
        (value,) = connection.execute(f"SELECT {column} FROM {table} WHERE {key} = ?", (row,)).fetchone()
        (rowid,) = connection.execute(f"SELECT {'rowid' if table != 'cards' else 'sequence'} FROM {table} WHERE {key} = ?", (row,)).fetchone()
        changed = flipped(value, at)
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (changed, row))
        for who, said in (("verify", found(place)), ("alone", said_by_verifier(place))):
            if not said:
                unseen.append((f"{table}.{column}", rowid, who))
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (value, changed if column == key else row))
        connection.close()
    assert unseen == []
    assert found(place) == said_by_verifier(place) == []


# What hashes alone do not show ------------------------------------------------------------------------------------------------------


def rewritten_from_five(place: Place) -> None:
    """An insider without the key: one record changed, every hash after it made to fit."""
    tampered(place.ledger, rewritten)


def all_rewritten(place: Place) -> None:
    """The evidence of a record changed too, and everything made to fit, as the service's own code would do it."""

    def step(connection: sqlite3.Connection) -> None:
        previous = bytes(32)
        for sequence, header, salt, body in connection.execute(
            "SELECT e.sequence, header, salt, body FROM entries e JOIN evidence v ON v.sequence = e.sequence ORDER BY e.sequence"
        ).fetchall():
            body = body.replace(b'{"cards":[]}', b'{"cards":{}}')
            committed = commitment(salt, body)
            digest = entry_hash(previous, leaf_hash(header, committed))
            connection.execute("UPDATE evidence SET body = ? WHERE sequence = ?", (body, sequence))
            connection.execute("UPDATE entries SET commitment = ?, previous = ?, hash = ? WHERE sequence = ?", (committed, previous, digest, sequence))
            previous = digest

    tampered(place.ledger, step)


def end_cut(place: Place) -> None:
    tampered(place.ledger, *(f"DELETE FROM {table} WHERE sequence > 7" for table in ("entries", "evidence", "cards")), "DELETE FROM blobs")


def stream_gone(place: Place) -> None:
    (place.ledger / "stream-00.sqlite").unlink()


def heads_gone(place: Place) -> None:
    end_cut(place)
    (place.ledger / HEADS_FILE).unlink()


def head_taken_out(place: Place) -> None:
    heads_changed(place, "DELETE FROM heads WHERE number = 2")


def head_taken_out_and_closed_up(place: Place) -> None:
    lines = [line for _, line in stored_lines(place.ledger)]
    lines_stored(place, [lines[0], *lines[2:]])


def heads_swapped(place: Place) -> None:
    lines = [line for _, line in stored_lines(place.ledger)]
    lines_stored(place, [lines[1], lines[0], *lines[2:]])


def signed_anew(place: Place, key: SigningKey) -> None:
    """Every head made again over the rewritten ledger, with the service's own code."""
    heads: list[Head] = []
    rows = sqlite3.connect(place.ledger / "stream-00.sqlite").execute("SELECT header, commitment FROM entries ORDER BY sequence")
    leaves = [leaf_hash(header, committed) for header, committed in rows]
    for _, line in stored_lines(place.ledger):
        old = read_head(line)
        streams = [StreamHead(each.stream, each.size, root_of(leaves[: each.size])) for each in old.streams]
        heads.append(make_head(key, old.number, heads[-1].digest if heads else FIRST, old.made_ms, streams))
    lines_stored(place, [head.line for head in heads])


def signed_with_another_key(place: Place) -> None:
    all_rewritten(place)
    signed_anew(place, SigningKey.open(place.root / "other", make=True))


def signed_with_the_key(place: Place) -> None:
    all_rewritten(place)
    signed_anew(place, SigningKey.open(place.keys, make=False))


def end_cut_with_heads(place: Place) -> None:
    tampered(place.ledger, *(f"DELETE FROM {table} WHERE sequence > 5" for table in ("entries", "evidence", "cards")), "DELETE FROM blobs")
    heads_changed(place, "DELETE FROM heads WHERE number > 2", "DELETE FROM trees")


BY_HEADS: dict[str, tuple[Change, str, str]] = {
    # what was done, and what each says of it
    "rewritten": (rewritten_from_five, "was signed over other records: a change among records 1 to 5", "was signed over other records; the change is among 1 to 5"),
    "all rewritten": (all_rewritten, "was signed over other records", "was signed over other records"),
    "end cut off": (end_cut, "head 4 was signed over 12 records, here are 7: the end was cut off", "head 4 was signed over 12 records, here are 7: the end was cut off"),
    "stream gone": (stream_gone, "stream 00: a signed head knows this stream, and it is gone", "stream 00 is gone"),
    "heads gone": (heads_gone, "and there is no head", "and there is no head"),
    "head taken out": (head_taken_out, "their numbers do not follow each other", "head 2 is missing"),
    "head taken out, closed up": (head_taken_out_and_closed_up, "their numbers do not follow each other", "in the wrong place"),
    "heads swapped": (heads_swapped, "does not follow the head before", "does not follow the head before"),
}  # fmt: skip
BY_WITNESS: dict[str, tuple[Change, str, str]] = {
    "signed with the key": (signed_with_the_key, "is not the one that the witness holds", "is not that of the ledger"),
    "end cut off with its heads": (end_cut_with_heads, "the witness holds heads 3 to 4 (2) that the ledger does not have", "is not in the ledger"),
}


@pytest.mark.parametrize("name", BY_HEADS)
def test_au_25_the_signed_heads_show_it(place: Place, name: str) -> None:
    change, said, said_alone = BY_HEADS[name]
    change(place)
    assert any(said in line for line in found(place)), found(place)
    assert any(said_alone in line for line in said_by_verifier(place)), said_by_verifier(place)


@pytest.mark.parametrize("name", ["rewritten", "all rewritten", "end cut off", "stream gone", "heads gone"])
def test_control_au_25_without_the_heads_nothing_shows_it(place: Place, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify_module, "signed_heads", lambda *_: verify_heads_module.SignedHeads())
    monkeypatch.setattr(verify_module.StreamTree, "end", lambda *_: None)
    BY_HEADS[name][0](place)
    assert found(place) == []


MUTATED_HEADS: dict[str, tuple[tuple[str, str], ...]] = {
    "rewritten": (NO_ROOT,),
    "all rewritten": (NO_ROOT,),
    "end cut off": (("beyond = [(size", "beyond = [] and [(size"),),
    "heads gone": (('key_named or "head_key" in facts', "False"),),
    "head taken out, closed up": (NO_NUMBERS, ("if head.previous != (before.digest if before else ZERO.hex()):", "if False:")),
}


@pytest.mark.parametrize("name", MUTATED_HEADS)
def test_control_au_25_without_its_check_the_verifier_alone_finds_nothing(place: Place, name: str) -> None:
    BY_HEADS[name][0](place)
    assert said_by_verifier(place)
    assert said_by_verifier(place, module=verifier(*MUTATED_HEADS[name])) == []


@pytest.mark.parametrize("name", ["head taken out", "head taken out, closed up", "heads swapped"])
def test_control_au_25_without_the_chain_of_heads_nothing_shows_it(place: Place, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify_heads_module, "_chained", lambda *_: [])
    BY_HEADS[name][0](place)
    assert found(place) == []


def test_au_25_another_key_is_found_with_the_public_key_or_a_witness_only(place: Place) -> None:
    signed_with_another_key(place)
    assert found(place) == said_by_verifier(place) == []
    assert SIGNED in verify(place.ledger).limits
    key = read_public_key(place.keys / PUBLIC_FILE)
    assert any("not signed with the key" in str(finding) for finding in verify(place.ledger, key=key).findings)
    assert any("another key than the trusted one" in line for line in said_by_verifier(place, key=key.hex()))
    assert any("not the one that the witness holds" in line for line in found(place, witness=True))
    assert said_by_verifier(place, witness=True)


def test_control_au_25_without_the_signature_a_changed_head_goes_unseen(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    heads_changed(place, "UPDATE heads SET line = replace(line, '\"made_ms\":17', '\"made_ms\":16') WHERE number = 4")
    assert found(place) == ["head 4 is not signed with the key of this ledger"]
    assert said_by_verifier(place) == ["head 4: its signature is not that of its body"]
    monkeypatch.setattr(verify_heads_module, "_genuine", lambda *_: True)
    assert found(place) == []
    blind = verifier(("len(signature) != 128 or not signed(head.key, signature, text.encode())", "False"))
    assert said_by_verifier(place, module=blind) == []


@pytest.mark.parametrize("name", BY_WITNESS)
def test_au_27_l_21_only_a_witness_shows_it(place: Place, name: str) -> None:
    change, said, said_alone = BY_WITNESS[name]
    change(place)
    alone = verify(place.ledger)
    assert alone.ok and LIMITS[0] in alone.limits and said_by_verifier(place) == []
    assert any(said in line for line in found(place, witness=True)), found(place, witness=True)
    assert any(said_alone in line for line in said_by_verifier(place, witness=True))


def test_what_cannot_be_excluded_is_said(place: Place, tmp_path: Path) -> None:
    alone, with_witness = verify(place.ledger), verify(place.ledger, lines=witness_lines(place.witness))
    assert LIMITS[0] in alone.limits and SIGNED in alone.limits and WITNESSED not in alone.limits
    assert LIMITS[0] not in with_witness.limits and WITNESSED in with_witness.limits
    assert (with_witness.witnessed, with_witness.uncovered, with_witness.signed is not None) == (4, 0, True)


def test_a_witness_that_is_older_is_no_finding_and_one_of_another_ledger_is(place: Place, tmp_path: Path) -> None:
    older = witness_lines(place.witness)[:2]
    assert verify(place.ledger, lines=older).ok and verify(place.ledger, lines=older).witnessed == 2
    other = Place(tmp_path / "other")
    other.filled(3)
    strange = [str(finding) for finding in verify(place.ledger, lines=witness_lines(other.witness)).findings]
    assert any("not the one that the witness holds" in line for line in strange)
    assert verify(place.ledger, lines=["nonsense"]).findings[0].what.startswith("line 1 of the witness")
    assert verifier().Ledger(place.ledger, ["nonsense"], None).found == ["line 1 of the witness is not a signed head"]
