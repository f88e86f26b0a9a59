"""No patient data stands in what is kept for ever: entries, look-ups, file names (L-18, L-38, AU-30)."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from cds.audit.heads import stored_lines, witness_lines
from cds.audit.proof import inclusion_proof
from cds.audit.pseudonyms import Pseudonyms
from cds.audit.read import LedgerReader
from cds.audit.record import blank_token
from tests.audit.ledgers import call, opened
from tests.audit.signed import Place

MARKERS = (
    "MARKERsmith",
    "MARKERp-1961",
    "MARKERpractitioner",
    "MARKERencounter",
    "MARKERhook",
    "90210334455",
    "MARKERtoken-1234567",
)
BODY: dict[str, Any] = {
    "hookInstance": "MARKERhook",
    "fhirAuthorization": {"access_token": "MARKERtoken-1234567"},
    "context": {"patientId": "MARKERp-1961", "userId": "MARKERpractitioner", "encounterId": "MARKERencounter"},
    "prefetch": {"patient": {"name": "MARKERsmith"}, "potassium": 90210334455},
}


def recorded(directory: Path, **members: Any) -> None:
    body = json.dumps(BODY).encode()
    with opened(directory) as ledger:
        names = ledger.pseudonyms
        given: dict[str, Any] = {
            "patient": names.patient("north", "MARKERp-1961"),
            "user": names.user("north", "MARKERpractitioner"),
            "encounter": names.encounter("north", "MARKERencounter"),
            "hook_instance": BODY["hookInstance"],
            "evidence": {"envelope": json.dumps(BODY["context"]).encode(), "answer": b"MARKERsmith"},
            "request": blank_token(body),
        }
        assert ledger.append_sync(call(**{**given, **members})).state == "stored"


def check_markers(directory: Path) -> None:
    """Every column of every table but the evidence, for every marker as it is, and for its plain hashes."""
    connection = sqlite3.connect(directory / "stream-00.sqlite")
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'") if name != "evidence"]
    assert set(tables) == {"entries", "cards", "blobs"}
    seen = repr([row for table in tables for row in connection.execute(f"SELECT * FROM {table}")])
    seen += repr([value.hex() for row in connection.execute("SELECT * FROM entries") for value in row if isinstance(value, bytes)])
    connection.close()
    for marker in MARKERS:
        assert marker not in seen
        for algorithm in ("sha256", "sha1", "md5"):
            assert hashlib.new(algorithm, marker.encode()).hexdigest() not in seen


def test_au_30_no_marker_in_what_is_kept_for_ever(tmp_path: Path) -> None:
    recorded(tmp_path)
    check_markers(tmp_path)


def test_evidence_holds_them_but_not_the_token(tmp_path: Path) -> None:
    recorded(tmp_path)
    parts = list(LedgerReader(tmp_path).records("00"))[-1].parts
    assert [marker for marker in MARKERS if marker.encode() not in parts["request"]] == ["MARKERtoken-1234567"]


def check_signed(place: Place) -> None:
    """Heads, witness and proofs: what leaves the ledger's folder and is shown to others."""
    lines = [line for _, line in stored_lines(place.ledger)] + witness_lines(place.witness)
    proofs = [json.dumps(inclusion_proof(place.ledger, "00", sequence)) for sequence in (1, 2)]
    assert lines and all(marker not in text for marker in MARKERS for text in (*lines, *proofs))


def test_l_38_no_marker_in_heads_witness_and_proofs(tmp_path: Path) -> None:
    place = Place(tmp_path)
    recorded(place.ledger)
    place.keeper().close()
    check_signed(place)


def test_control_l_38_a_clear_id_in_the_header_is_seen_in_its_proof(tmp_path: Path) -> None:
    place = Place(tmp_path)
    recorded(place.ledger, client="MARKERp-1961")
    place.keeper().close()
    with pytest.raises(AssertionError):
        check_signed(place)


def test_control_au_30_a_clear_id_in_the_header_is_seen(tmp_path: Path) -> None:
    recorded(tmp_path, client="MARKERp-1961")
    with pytest.raises(AssertionError):
        check_markers(tmp_path)


def test_control_au_30_a_plain_hash_for_a_pseudonym_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Pseudonyms, "_of", lambda self, kind, tenant, identity: hashlib.md5(identity.encode()).hexdigest())
    recorded(tmp_path)
    with pytest.raises(AssertionError):
        check_markers(tmp_path)
