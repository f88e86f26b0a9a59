"""deploy/verify_ledger.py as somebody uses it who does not have Trivet, and the proofs that are made for them (AU-23, AU-24, L-7)."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cds.audit import proof as proof_module
from cds.audit.errors import LedgerError
from cds.audit.heads import PUBLIC_FILE, stored_lines, witness_lines
from cds.audit.proof import NotCovered, consistency_proof, inclusion_proof
from cds.audit.read import LedgerReader
from cds.audit.verify import verify
from tests.audit.ledgers import call, opened
from tests.audit.signed import ALONE, VERIFIER, Place, verifier


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Two streams under several heads."""
    place = Place(tmp_path_factory.mktemp("signed"))
    place.filled(5, 6)
    keeper = place.keeper()
    with place.writer(keeper), place.writer(keeper) as second:
        for _ in range(4):
            second.append_sync(call())
        keeper.round(signing=True)
    keeper.close()
    return place


def run(*arguments: object, directory: Path, given: str = "") -> subprocess.CompletedProcess[str]:
    """The one file in a folder of its own, by an interpreter that sees nothing of this repository (-I)."""
    alone = directory / "verify_ledger.py"
    shutil.copy(VERIFIER, alone)
    return subprocess.run([sys.executable, "-I", str(alone), *map(str, arguments)], cwd=directory, input=given, capture_output=True, text=True, check=False)


def imported(source: str) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0] if not node.level else "(relative)")
    return names


def check_imports(source: str) -> None:
    assert imported(source) <= set(sys.stdlib_module_names) | {"cryptography"}


def test_l_07_verifier_shares_no_code_with_the_writer() -> None:
    check_imports(VERIFIER.read_text(encoding="utf-8"))


@pytest.mark.parametrize("line", ["import cds.audit.tree", "from cds.audit import heads", "from . import heads", "import msgspec"])
def test_control_l_07_an_import_of_the_writer_is_seen(line: str) -> None:
    with pytest.raises(AssertionError):
        check_imports(VERIFIER.read_text(encoding="utf-8") + f"\n{line}\n")


def test_it_runs_alone_on_a_copy_and_says_what_it_cannot_exclude(signed: Place, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(signed.ledger, copy)
    said = run(copy, directory=tmp_path)
    assert (said.returncode, said.stderr) == (0, "")
    records = verify(signed.ledger).records
    assert said.stdout.startswith(f"{records} records under {len(stored_lines(signed.ledger))} signed heads: nothing disagrees.")
    assert "cannot be excluded" in said.stdout and "public key was taken from the heads themselves" in said.stdout
    said = run(copy, "--witness", signed.witness, "--key", signed.keys / PUBLIC_FILE, directory=tmp_path)
    assert said.returncode == 0 and "cannot be excluded" not in said.stdout and "after the last head that the witness holds" in said.stdout


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system that can be made unwritable, for root too."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)], capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {mounted.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_it_reads_a_copy_on_a_medium_that_cannot_be_written(signed: Place, disk: Path, tmp_path: Path) -> None:
    shutil.copytree(signed.ledger, disk / "copy", ignore=shutil.ignore_patterns("*-shm", "*-wal", "spool*"))
    with_log = shutil.copytree(disk / "copy", disk / "with log")
    (with_log / "stream-00.sqlite-wal").write_bytes(b"a log that was not copied into the file")
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    said = run(disk / "copy", directory=tmp_path)
    assert (said.returncode, "nothing disagrees" in said.stdout) == (0, True)
    said = run(with_log, directory=tmp_path)
    assert (said.returncode, "stream 00 cannot be read" in said.stdout) == (1, True)


def test_it_names_damage_with_exit_code_1(signed: Place, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(signed.ledger, copy)
    (copy / "stream-01.sqlite").unlink()
    said = run(copy, directory=tmp_path)
    assert said.returncode == 1 and "DAMAGED stream 01 is gone" in said.stdout


@pytest.mark.parametrize("arguments", [["nowhere"], ["--proof", "nowhere"], [".", "--key", "nowhere"], []])
def test_nothing_to_verify_is_exit_code_2(tmp_path: Path, arguments: list[str]) -> None:
    assert run(*arguments, directory=tmp_path).returncode == 2


def test_a_ledger_without_heads_is_verified_and_said(tmp_path: Path) -> None:
    with opened(tmp_path / "ledger") as ledger:
        ledger.append_sync(call())
    said = run(tmp_path / "ledger", directory=tmp_path)
    assert said.returncode == 0 and "has no signed heads" in said.stdout


# Proofs -----------------------------------------------------------------------------------------------------------------------------


def test_au_23_every_record_is_proved_under_every_head_that_covers_it(signed: Place) -> None:
    witness = witness_lines(signed.witness)
    proved = 0
    for number, _ in stored_lines(signed.ledger):
        for stream in LedgerReader(signed.ledger).streams():
            for entry in LedgerReader(signed.ledger).entries(stream):
                try:
                    proof = inclusion_proof(signed.ledger, stream, entry.sequence, number)
                except NotCovered:
                    continue
                proved += 1
                assert ALONE.verify_proof(json.loads(json.dumps(proof)), witness, None) == []
    assert proved > 30


def proof_of(place: Place) -> dict[str, Any]:
    return inclusion_proof(place.ledger, "00", 7)


def changed(proof: dict[str, Any], change: str) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(json.dumps(proof))
    record = made["record"]
    if change == "header":
        record["header"] = record["header"].replace('"status":200', '"status":500')
    elif change == "commitment":
        record["commitment"] = "00" * 32
    elif change == "sequence":
        record["sequence"] += 1
    elif change == "path":
        made["path"][1] = "00" * 32
    elif change == "path shorter":
        made["path"].pop()
    elif change == "head":
        made["head"] = made["head"].replace('"number":', '"number":1')
    elif change == "signature":
        made["head"] = ("1" if made["head"][0] != "1" else "2") + made["head"][1:]
    assert made != proof
    return made


CHANGES = ["header", "commitment", "sequence", "path", "path shorter", "head", "signature"]


@pytest.mark.parametrize("change", CHANGES)
def test_au_23_a_changed_proof_is_refused(signed: Place, change: str) -> None:
    assert ALONE.verify_proof(proof_of(signed), [], None) == []
    assert ALONE.verify_proof(changed(proof_of(signed), change), [], None)


@pytest.mark.parametrize(
    ("change", "mutation"),
    [
        ("header", ("if not included(leaf,", "if False and not included(leaf,")),
        ("path", ("if not included(leaf,", "if False and not included(leaf,")),
        ("signature", ("len(signature) != 128 or not signed(head.key, signature, text.encode())", "False")),
    ],
)
def test_control_au_23_without_its_check_a_changed_proof_passes(signed: Place, change: str, mutation: tuple[str, str]) -> None:
    assert verifier(mutation).verify_proof(changed(proof_of(signed), change), [], None) == []


def test_au_24_every_pair_of_heads_is_proved_consistent(signed: Place) -> None:
    numbers = [number for number, _ in stored_lines(signed.ledger)]
    for second in numbers:
        for first in range(1, second + 1):
            proof = consistency_proof(signed.ledger, first, second)
            assert ALONE.verify_proof(json.loads(json.dumps(proof)), witness_lines(signed.witness), None) == []


def test_au_24_a_head_that_did_more_than_add_is_not_proved(signed: Place, tmp_path: Path) -> None:
    other = Place(tmp_path)
    shutil.copytree(signed.keys, other.keys)
    other.filled(12)
    proof = consistency_proof(signed.ledger, 2)
    proof["second"] = stored_lines(other.ledger)[-1][1]
    assert any("only added" in said for said in ALONE.verify_proof(proof, [], None))
    blind = verifier(("if not consistent(size,", "if False and not consistent(size,"))
    assert blind.verify_proof(proof, [], None) == []


def test_a_proof_under_a_head_that_the_witness_does_not_hold_is_said(signed: Place, tmp_path: Path) -> None:
    other = Place(tmp_path)
    other.filled(2)
    assert ALONE.verify_proof(proof_of(signed), witness_lines(other.witness), None) == ["no head of the proof is one that the witness holds"]
    assert ALONE.verify_proof(proof_of(signed), [], "00" * 32)


def test_what_cannot_be_proved_is_said(signed: Place, tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="there is no record 00:999"):
        inclusion_proof(signed.ledger, "00", 999)
    with pytest.raises(NotCovered, match="not under head 1 yet"):
        inclusion_proof(signed.ledger, "00", 7, 1)
    with pytest.raises(NotCovered, match="there is no signed head 99"):
        inclusion_proof(signed.ledger, "00", 7, 99)
    with pytest.raises(NotCovered, match="is older than head"):
        consistency_proof(signed.ledger, 3, 2)
    with opened(tmp_path) as ledger:
        ledger.append_sync(call())
    with pytest.raises(NotCovered, match="no signed head yet"):
        inclusion_proof(tmp_path, "00", 1)


def test_a_proof_read_from_standard_input(signed: Place, tmp_path: Path) -> None:
    said = run("--proof", "-", "--witness", signed.witness, directory=tmp_path, given=json.dumps(proof_of(signed)))
    assert (said.returncode, said.stdout) == (0, "The proof of inclusion: nothing disagrees.\n")
    said = run("--proof", "-", directory=tmp_path, given=json.dumps(changed(proof_of(signed), "path")))
    assert said.returncode == 1 and "is not under head" in said.stdout


def test_au_23_every_record_of_a_thousand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = Place(tmp_path)
    keeper = place.keeper()
    with place.writer(keeper) as ledger:
        for _ in range(998):
            ledger.append_nowait(call())
        ledger.append_sync(call())
        keeper.round(signing=True)
    keeper.close()
    leaves = proof_module._leaves(LedgerReader(place.ledger), "00", 1000)
    monkeypatch.setattr(proof_module, "_leaves", lambda *_: leaves)
    for sequence in range(1, 1001):
        assert ALONE.verify_proof(inclusion_proof(place.ledger, "00", sequence), [], None) == []
