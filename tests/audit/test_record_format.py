"""Record format 1, byte for byte (AU-26, AU-31)."""

from __future__ import annotations

import hashlib
import json
import uuid
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.audit.pseudonyms import Pseudonyms
from cds.audit.record import (
    GENESIS,
    Kind,
    Pseudonym,
    Record,
    RecordDraft,
    commitment,
    entry_hash,
    faults,
    header_bytes,
    leaf_hash,
    pack,
    prepare,
    unpack,
)
from tests.audit.ledgers import NOW_MS, call

names = st.from_regex(r"[a-z][a-z0-9_.-]{0,20}", fullmatch=True)

# A record of format 1 as the first release wrote it. These bytes must stay readable in every later release (L-35).
SAMPLE = Record(
    format=1,
    stream="00",
    sequence=1,
    header_bytes=(b'{"advisories":["low-glucose"],"format":1,"kind":"call","received_ms":1700000000000,"sequence":1,"status":200,"stream":"00"}'),
    commitment=bytes.fromhex("48bb112eeb20ac251ce4fa693b2726e2d7f654376764cac44b33c20b443cab9a"),
    previous=GENESIS,
    hash=bytes.fromhex("fc0df5a73522c47472291d638664940ce2f12b125aa76fc460afd46ee129988b"),
    salt=bytes(range(32)),
    evidence=b"TRE1\x06answer\x00\x00\x00\x00\x00\x00\x00\x0c" + b'{"cards":[]}',
)


def test_au_26_sample_of_format_1_is_read() -> None:
    assert faults(SAMPLE) == []
    assert SAMPLE.header["advisories"] == ["low-glucose"]
    assert SAMPLE.parts == {"answer": b'{"cards":[]}'}


def test_au_26_hashes_follow_the_published_rule() -> None:
    """Outside check: the rule of README.md written out with hashlib alone; the leaf is that of RFC 9162 section
    2.1.1."""
    assert SAMPLE.salt is not None and SAMPLE.evidence is not None
    committed = hashlib.sha256(SAMPLE.salt + SAMPLE.evidence).digest()
    leaf = hashlib.sha256(b"\x00" + SAMPLE.header_bytes + committed).digest()
    assert committed == SAMPLE.commitment == commitment(SAMPLE.salt, SAMPLE.evidence)
    assert leaf == leaf_hash(SAMPLE.header_bytes, committed)
    assert SAMPLE.hash == hashlib.sha256(b"\x02" + bytes(32) + leaf).digest() == entry_hash(GENESIS, leaf)


@given(st.dictionaries(names, st.binary(max_size=100), max_size=6))
def test_container_gives_back_its_parts_in_one_spelling(parts: dict[str, bytes]) -> None:
    packed = pack(parts)
    assert unpack(packed) == parts
    assert pack(dict(reversed(list(parts.items())))) == packed


@pytest.mark.parametrize("evidence", [b"", b"TRE", b"TRE1\x05", b"TRE1\x01a\x00\x00\x00\x00\x00\x00\x00\x02x"])
def test_container_cut_off_is_refused(evidence: bytes) -> None:
    with pytest.raises(ValueError):
        unpack(evidence)


def test_header_is_canonical_json_and_names_its_place() -> None:
    members = prepare(call(service="trivet-order-sign")).members
    header = header_bytes(dict(reversed(list(members.items()))), "03", 17)
    assert header == header_bytes(members, "03", 17)
    assert header == json.dumps(json.loads(header), sort_keys=True, separators=(",", ":")).encode()
    assert {"format": 1, "stream": "03", "sequence": 17}.items() <= json.loads(header).items()


def test_au_02_au_04_au_09_au_10_header_holds_who_what_when_and_by_which_software() -> None:
    pseudonyms = Pseudonyms(bytes(32))
    digest = "ab" * 32
    draft = call(
        evaluated_ms=NOW_MS + 5,
        client="https://ehr.example",
        tenant="north",
        jti="j-1",
        purpose="real",
        mode="live",
        user=pseudonyms.user("north", "Practitioner/7"),
        patient=pseudonyms.patient("north", "p-1"),
        hook_instance=str(uuid.UUID(int=9)),
        hashes={"software": digest, "knowledge": digest, "site_map": digest, "configuration": digest},
    )
    header = json.loads(header_bytes(prepare(draft).members, "00", 1))
    assert set(header) == {
        *(
            "kind",
            "format",
            "stream",
            "sequence",
            "received_ms",
            "evaluated_ms",
            "service",
            "hook",
            "purpose",
            "mode",
            "client",
            "tenant",
        ),
        *(
            "jti",
            "user",
            "patient",
            "status",
            "outcome",
            "advisories",
            "cards",
            "request_id",
            "hook_instance",
            "hashes",
        ),
    }
    assert header["hashes"]["knowledge"] == digest


def test_au_31_same_evidence_has_another_commitment_each_time() -> None:
    """A potassium could be guessed from a plain hash: there are not many."""
    one, two = prepare(call()), prepare(call())
    assert one.evidence == two.evidence
    assert commitment(one.salt, one.evidence) != commitment(two.salt, two.evidence)


def test_control_au_31_without_salt_the_value_is_guessed() -> None:
    seen = commitment(b"", pack({"potassium": b"3.1"}))
    assert [v for v in range(20, 80) if commitment(b"", pack({"potassium": str(v / 10).encode()})) == seen] == [31]
    salted = prepare(RecordDraft(Kind.CALL, NOW_MS, evidence={"potassium": b"3.1"}))
    assert commitment(salted.salt, salted.evidence) != seen


@pytest.mark.parametrize(
    "members",
    [
        {"patient": Pseudonym("smith-1961")},
        {"user": Pseudonym("Practitioner/7")},
        {"received_ms": 1.5},
        {"status": "200"},
        {"advisories": ("Potassium 3.1",)},
        {"cards": ("not a uuid",)},
        {"hashes": {"knowledge": "abc"}},
        {"facts": {"potassium": 3.1}},
        {"evidence": {"answer": "text"}},
        {"evidence": {"Answer!": b""}},
    ],
)
def test_what_breaks_the_format_is_refused(members: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        prepare(call(**members))


def test_free_text_of_a_client_stays_out_of_the_header() -> None:
    header = prepare(call(hook_instance="Smith, Jane, 3.1")).members
    assert "hook_instance" not in header


def test_lone_surrogates_do_not_stop_a_record() -> None:
    assert header_bytes(prepare(call(client="\ud800")).members, "00", 1).isascii()


def test_pseudonyms_depend_on_kind_tenant_id_and_secret() -> None:
    one, other = Pseudonyms(bytes(32)), Pseudonyms(b"\x01" * 32)
    made = {
        one.patient("a", "bc"),
        one.patient("ab", "c"),
        one.patient(None, "bc"),
        one.patient("", "bc"),
        one.user("a", "bc"),
        one.encounter("a", "bc"),
        other.patient("a", "bc"),
    }
    assert len(made) == 7
    assert one.patient("a", "bc") == Pseudonyms(bytes(32)).patient("a", "bc")


@pytest.mark.parametrize(
    "change",
    [
        {"header_bytes": SAMPLE.header_bytes.replace(b"200", b"500")},
        {"header_bytes": b"not json"},
        {"sequence": 2},
        {"stream": "01"},
        {"commitment": bytes(32)},
        {"commitment": b""},
        {"previous": b"\x01" * 32},
        {"hash": bytes(32)},
        {"salt": bytes(32)},
        {"salt": SAMPLE.salt + b"T" if SAMPLE.salt else b""},
        {"evidence": b"TRE1"},
        {"evidence": None},
        {"format": 2},
    ],
)
def test_every_change_of_a_record_is_a_fault(change: dict[str, object]) -> None:
    assert faults(replace(SAMPLE, **change)) != []  # type: ignore[arg-type]
