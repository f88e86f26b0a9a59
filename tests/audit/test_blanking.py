"""Tokens are overwritten before anything is stored or hashed (L-1, AU-03, HZ-42)."""

from __future__ import annotations

import json

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cds.audit import blanking
from cds.audit.blanking import blank_token

TOKEN = "eyJhbGciOi/JFUzM4NCJ9+x.y_z~=="


def spelled(text: str, how: int) -> str:
    """One JSON spelling of a string's inside: 0 as json.dumps, 1 solidus escaped, 2 all \\uXXXX, 3 by turns."""
    if how == 0:
        return json.dumps(text, ensure_ascii=False)[1:-1]
    if how == 1:
        return json.dumps(text)[1:-1].replace("/", "\\/")
    units = text.encode("utf-16-be", "surrogatepass")
    numbers = [int.from_bytes(units[i : i + 2], "big") for i in range(0, len(units), 2)]
    if how == 2:
        return "".join(f"\\u{n:04X}" for n in numbers)
    wanted = (n % 2 == 0 or n in (0x22, 0x5C) or n < 0x20 or n > 0x7E for n in numbers)
    return "".join(f"\\u{n:04x}" if escape else chr(n) for n, escape in zip(numbers, wanted, strict=True))


def strings_of(value: object) -> list[str]:
    if isinstance(value, dict):
        return [text for key, item in value.items() for text in (*strings_of(item), key)]
    if isinstance(value, list):
        return [text for item in value for text in strings_of(item)]
    return [value] if isinstance(value, str) else []


def body_with(token: str, hows: tuple[int, int, int], key: str = "access_token") -> bytes:
    first, second, third = (spelled(token, how) for how in hows)
    return (
        f'{{"hook":"order-sign","fhirAuthorization":{{"{key}" : "{first}","token_type":"Bearer"}},'
        f'"extension":{{"copy":"{second}"}},"note":["see \\\\ Bearer {third}, \\n\\u0041"]}}'
    ).encode("utf-8", "surrogatepass")


def check(body: bytes, token: str) -> None:
    blanked = blank_token(body)
    assert len(blanked) == len(body)
    texts = strings_of(json.loads(blanked))
    assert not any(token in text for text in texts), ascii((token, body, blanked))


tokens = st.text(st.characters(exclude_categories=()), min_size=8, max_size=40).filter(lambda t: set(t) != {"*"})
ways = st.tuples(*[st.integers(0, 3)] * 3)


@given(token=tokens, hows=ways)
@example(token=TOKEN, hows=(0, 1, 2))
@example(token="u0041xyz\\n", hows=(2, 0, 3))
@example(token="0041bcdefgh", hows=(0, 2, 1))
@example(token="0000000\ud800", hows=(0, 0, 2))
@example(token="\\" * 9, hows=(0, 2, 3))
@example(token='"/\\"/\\"/', hows=(1, 2, 3))
@settings(max_examples=300, deadline=None)
def test_au_03_token_is_blanked_in_every_spelling(token: str, hows: tuple[int, int, int]) -> None:
    check(body_with(token, hows), token)


def test_hz_42_lead_form_of_the_token_is_blanked_and_nothing_else_changes() -> None:
    body = body_with(TOKEN, (0, 1, 2))
    before, after = json.loads(body), json.loads(blank_token(body))
    assert after["fhirAuthorization"]["access_token"] == "*" * len(TOKEN)
    assert after["hook"] == before["hook"] and after["fhirAuthorization"]["token_type"] == "Bearer"
    assert set(after["note"][0].removeprefix("see \\ Bearer ").removesuffix(", \nA")) == {"*"}


def test_control_without_search_for_copies_the_token_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blanking, "SHORTEST_SEARCHED", 10**6)
    with pytest.raises(AssertionError):
        check(body_with(TOKEN, (0, 1, 2)), TOKEN)


def test_control_without_escapes_the_token_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blanking, "_escapes", lambda character: iter(()))
    with pytest.raises(AssertionError):
        check(body_with(TOKEN, (0, 0, 2)), TOKEN)


def test_key_spelled_with_escapes() -> None:
    check(body_with(TOKEN, (0, 0, 0), key="acc\\u0065ss\\u005ftoken"), TOKEN)


def test_request_inside_a_string_of_another() -> None:
    inner = json.dumps({"fhirAuthorization": {"access_token": TOKEN}, "copy": TOKEN}).replace("/", "\\/")
    body = json.dumps({"wrapped": inner, "again": json.dumps({"deeper": inner})}).encode()
    blanked = blank_token(body)
    assert len(blanked) == len(body)
    assert TOKEN not in json.loads(json.loads(blanked)["wrapped"])["fhirAuthorization"]["access_token"]
    assert "JFUzM4NCJ9" not in blanked.decode()


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (b'{"access_token":"secret-without-end', b'{"access_token":"******************'),
        (
            b'{"access_token":["secret-1-x",{"k":"secret-2-y"}],"z":"secret-2-y"}',
            b'{"access_token":["**********",{"k":"**********"}],"z":"**********"}',
        ),
        (b'{"access_token":1234,"b":1234}', b'{"access_token":1111,"b":1234}'),
        (b'{"access_token":null}', b'{"access_token":null}'),
        (b'{"access_token":"e","hook":"e"}', b'{"access_token":"*","hook":"e"}'),
        (b'\xff{"access_token":"secret-\xfe-12"} secret-\xfe-12', b'\xff{"access_token":"***********"} ***********'),
        (b'{"hook":"order-sign"}', b'{"hook":"order-sign"}'),
        (b"", b""),
    ],
)
def test_odd_bodies(body: bytes, expected: bytes) -> None:
    assert blank_token(body) == expected


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be", "utf-32"])
def test_wide_encodings_are_blanked_whole(encoding: str) -> None:
    body = json.dumps({"fhirAuthorization": {"access_token": TOKEN}}).encode(encoding)
    assert blank_token(body) == b"*" * len(body)


@given(st.binary(max_size=200), st.binary(max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_bytes_keep_their_length_and_blanking_twice_changes_nothing(before: bytes, value: bytes) -> None:
    body = before + b'"access_token":"' + value
    blanked = blank_token(body)
    assert len(blanked) == len(body)
    assert blank_token(blanked) == blanked
