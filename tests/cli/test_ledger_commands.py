"""`trivet ledger`: list, show, verify. Replay has its own tests."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.audit.signed import ALONE
from tests.cli.command import Trivet
from tests.service.inside import card_with, inside, scenario

CODE = "insulin-with-low-potassium"


@pytest.fixture
def used(trivet: Trivet, tmp_path: Path) -> Iterator[str]:
    """A ledger with a lead call whose card was overridden, the same call again, a silent call and a refused one. The first card's uuid."""
    with inside(tmp_path / "data", switched_off=frozenset({"hypoglycaemia"})) as running:
        card: str = card_with(running.call(scenario()), CODE)["uuid"]
        running.feedback(card, overrideReason={"reason": {"code": "local-protocol"}, "userComment": "asked the renal team"})
        running.call(scenario())
        running.call(scenario("03-"))
        running.call({"hook": "order-sign"})
    yield card


def test_list_newest_first_with_its_filters(trivet: Trivet, used: str) -> None:
    lines = trivet("ledger", "list", "--kind", "call").out.splitlines()
    assert len(lines) == 4
    assert "400 refused" in lines[0]
    assert CODE in lines[3] and CODE not in lines[2]
    assert len(trivet("ledger", "list", "--code", CODE).out.splitlines()) == 2  # the call, and the feedback that overrode it
    assert len(trivet("ledger", "list", "--limit", "2").out.splitlines()) == 2
    assert trivet("ledger", "list", "--since", "2999-01-01").out == "No record passes.\n"
    assert "overridden local-protocol" in trivet("ledger", "list", "--kind", "feedback").out
    said = trivet("ledger", "list", "--since", "yesterday")
    assert (said.code, "neither a day" in said.err) == (2, True)


def test_show_by_card_tells_rules_cards_and_feedback(trivet: Trivet, used: str) -> None:
    said = trivet("ledger", "show", used)
    assert said.code == 0
    for text in (
        "Record 00:", "judged as of", "2026-03-14 08:20:00 UTC", "software hash", f"{CODE}: fired", "below 3.5 mmol/L", "potassium 3.1 mmol/L (40 min ago",
        "hypoglycaemia: switched off at this site", "does not apply here", "judged; its criteria are not met", f"card {used}",
        "Potassium 3.1 mmol/L: give potassium before the insulin infusion starts", "overridden, reason local-protocol", "asked the renal team",
    ):  # fmt: skip
        assert text in said.out, text


def test_show_tells_why_a_rule_was_silent(trivet: Trivet, used: str) -> None:
    newest = trivet("ledger", "list", "--kind", "call").out.splitlines()[2].split()[3]
    said = trivet("ledger", "show", newest)
    assert f"{CODE}: held back after an override on the same inputs" in said.out
    assert "Overrides that were remembered for this call" in said.out


def test_show_a_refused_call_and_a_feedback_record(trivet: Trivet, used: str) -> None:
    refused = trivet("ledger", "list", "--kind", "call").out.splitlines()[0].split()[3]
    assert "Refused at context" in trivet("ledger", "show", refused).out
    told = trivet("ledger", "list", "--kind", "feedback").out.split()[3]
    assert "asked the renal team" in trivet("ledger", "show", told).out


@pytest.mark.parametrize("name", ["99:1", "00:9999", "nothing"])
def test_show_what_is_not_there(trivet: Trivet, used: str, name: str) -> None:
    said = trivet("ledger", "show", name)
    assert (said.code, said.out) == (2, "")
    assert f"no record '{name}'" in said.err


def test_verify_says_what_it_cannot_exclude(trivet: Trivet, used: str) -> None:
    said = trivet("ledger", "verify")
    assert said.code == 0
    assert "nothing disagrees" in said.out
    assert "stream 00:" in said.out
    assert "cannot be excluded" in said.out


def test_hz_43_verify_finds_damage_and_exits_with_1(trivet: Trivet, used: str, tmp_path: Path) -> None:
    file = tmp_path / "data" / "ledger" / "stream-00.sqlite"
    connection = sqlite3.connect(file)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute("UPDATE evidence SET body = CAST(body || 'x' AS BLOB) WHERE sequence = 5")
    connection.commit()
    connection.close()
    said = trivet("ledger", "verify")
    assert said.code == 1
    assert "DAMAGED 00:5" in said.out


def test_verify_tells_the_signed_head_and_how_good_its_witness_is(trivet: Trivet, used: str, tmp_path: Path) -> None:
    beside = trivet("ledger", "verify")
    assert (beside.code, "signed head 2 of" in beside.out, "This witness lies in the data folder" in beside.out) == (0, True, True)
    elsewhere = tmp_path / "elsewhere.txt"
    elsewhere.write_bytes((tmp_path / "data" / "witness" / "heads.txt").read_bytes())
    kept = trivet("ledger", "verify", "--witness", elsewhere, "--key", tmp_path / "data" / "keys" / "heads.pub")
    assert (kept.code, f"witness {elsewhere}: heads up to 2" in kept.out, "cannot be excluded" in kept.out) == (0, True, False)


def test_au_27_verify_names_an_end_that_was_cut_off(trivet: Trivet, used: str, tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "data" / "ledger" / "stream-00.sqlite")
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for table in ("entries", "evidence", "cards"):
        connection.execute(f"DELETE FROM {table} WHERE sequence > 5")
    connection.commit()
    connection.close()
    said = trivet("ledger", "verify")
    assert (said.code, "here are 5: the end was cut off" in said.out) == (1, True)


def test_au_23_proof_of_a_card_is_accepted_by_the_verifier_alone(trivet: Trivet, used: str) -> None:
    said = trivet("ledger", "proof", used)
    proof = json.loads(said.out)
    assert (said.code, CODE in json.loads(proof["record"]["header"])["advisories"]) == (0, True)
    assert ALONE.verify_proof(proof, [], None) == []
    grown = json.loads(trivet("ledger", "proof", "--since-head", "1").out)
    assert (grown["proves"], ALONE.verify_proof(grown, [], None)) == ("consistency", [])


@pytest.mark.parametrize(
    ("words", "said"),
    [((), "give a record"), (("nothing",), "no record 'nothing'"), (("00:2", "--head", "1"), "not under head 1 yet"), (("00:2", "--since-head", "1"), "give a record")],
)
def test_proof_that_cannot_be_given_says_why(trivet: Trivet, used: str, words: tuple[str, ...], said: str) -> None:
    told = trivet("ledger", "proof", *words)
    assert (told.code, told.out, said in told.err) == (2, "", True)


def test_no_ledger_is_told_in_one_line(trivet: Trivet, tmp_path: Path) -> None:
    for command in (("list",), ("show", "00:1"), ("verify",), ("replay",), ("proof", "00:1")):
        said = trivet("ledger", *command)
        assert (said.code, "there is no ledger" in said.err) == (2, True)
    assert not (tmp_path / "data").exists()
