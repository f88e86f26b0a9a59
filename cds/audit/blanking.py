"""Access tokens are overwritten before anything is stored or hashed (L-1).

The bytes that `blank_token` returns are what is evaluated, stored, hashed and replayed; the token itself is taken
from the body before, held in memory for the call, and dropped.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import suppress
from typing import NewType

_KEY = "access_token"
_AFTER_KEY = re.compile(rb'\\*"\s*:\s*')
_STRING = re.compile(rb'"((?:[^"\\]|\\.)*)("?)', re.DOTALL)
_NESTED_QUOTE = re.compile(rb'\\+"')
_COLON = re.compile(rb"\s*:")
_HEXADECIMAL_LETTER = re.compile(rb"[a-f]")
_DIGITS = re.compile(rb"[0-9]+")
_SCALAR = re.compile(rb"[^\s,\]}]+")
_SHORT = {'"': '"', "\\": "\\", "/": "/", "\b": "b", "\f": "f", "\n": "n", "\r": "r", "\t": "t"}
_WIDE_KEYS = tuple(_KEY.encode(e) for e in ("utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"))

SHORTEST_SEARCHED = 8
"""A token shorter than this many characters is blanked where it stands as the token, but not searched for elsewhere:
"a" stands in every word, and blanking it would destroy the request. No issuer hands out such tokens."""

Span = tuple[int, int]

Blanked = NewType("Blanked", bytes)
"""A body that went through `blank_token`."""


def blank_token(body: bytes) -> Blanked:
    """The body with every `access_token` value, and every other occurrence of it, overwritten with asterisks of equal
    length.

    Found in whatever way JSON can spell it (as is, `\\/`, `\\uXXXX`, one JSON text as a string inside another), under
    any key, inside longer strings, and in bodies that are not well-formed JSON. A number in the token's place is
    overwritten with ones. The length never changes, and JSON that could be read before can be read after. Not found:
    a token in base64, percent-encoded, or split in two.

    Costs two substring searches when there is no such key in the body.
    """
    spans = _token_spans(body)
    if not spans:
        return Blanked(body)
    blanked = bytearray(body)
    for start, end, filler in spans:
        blanked[start:end] = filler * (end - start)
    return Blanked(bytes(blanked))


def _token_spans(body: bytes) -> list[tuple[int, int, bytes]]:
    if b"\0" in body and any(key in body for key in _WIDE_KEYS):
        # UTF-16 or UTF-32, which CDS Hooks does not allow: nothing of it is worth the risk.
        return [(0, len(body), b"*")]
    spans: list[tuple[int, int, bytes]] = []
    tokens: set[str] = set()
    for _, key_end in _occurrences(body, _SOUGHT_KEY):
        after = _AFTER_KEY.match(body, key_end)
        if after:
            for start, end, token, filler in _values(body, after.end()):
                spans.append((start, end, filler))
                tokens.add(token)
    for token in tokens:
        if len(token) >= SHORTEST_SEARCHED:
            spans += ((start, end, b"*") for start, end in _occurrences(body, _Sought(token)))
    return spans


def _values(body: bytes, at: int) -> Iterator[tuple[int, int, str, bytes]]:
    """The value that starts at `at`, or, where it is an array or object, all strings and numbers in it: start, end,
    text, filler."""
    first = body[at : at + 1]
    if first == b"\\":
        quote = _NESTED_QUOTE.match(body, at)
        if quote:
            end = body.find(quote[0], quote.end())
            nested = body[quote.end() : end if end >= 0 else len(body)]
            yield quote.end(), quote.end() + len(nested), _decoded(_encoded(_decoded(nested))), b"*"
        return
    if first in (b"[", b"{"):
        depth = 0
        while at < len(body):
            character = body[at : at + 1]
            if character == b'"':
                text = _STRING.match(body, at)
                assert text is not None
                if not _COLON.match(body, text.end()):
                    yield (*text.span(1), _decoded(text[1]), b"*")
                at = text.end()
                continue
            depth += (character in b"[{") - (character in b"]}")
            if depth == 0:
                return
            if character in b"-0123456789":
                number = _SCALAR.match(body, at)
                assert number is not None
                yield from _digits(body, *number.span())
                at = number.end()
                continue
            at += 1
        return
    text = _STRING.match(body, at)
    if text:
        yield (*text.span(1), _decoded(text[1]), b"*")
        return
    scalar = _SCALAR.match(body, at)
    if scalar:
        yield from _digits(body, *scalar.span())


def _digits(body: bytes, start: int, end: int) -> Iterator[tuple[int, int, str, bytes]]:
    for digits in _DIGITS.finditer(body, start, end):
        yield (*digits.span(), "", b"1")


def _decoded(spelled: bytes) -> str:
    try:
        text = spelled.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        text = spelled.decode("utf-8", "surrogateescape")
    try:
        decoded = json.loads(f'"{text}"', strict=False)
    except ValueError:
        return text
    return decoded if isinstance(decoded, str) else text


class _Sought:
    """A text to look for, in every way that JSON can spell it."""

    __slots__ = ("forms", "openings", "plain")

    def __init__(self, text: str) -> None:
        self.plain = _plain(text)
        self.forms = {form for character in set(text) for form in _escapes(character)}
        self.openings = tuple(sorted({b"\\" + spelled for spelled, _ in self.forms}))


def _occurrences(body: bytes, sought: _Sought) -> list[Span]:
    """Where a text stands in the body, in any JSON spelling. Every span covers whole escape sequences."""
    spans = [span for spelled in sought.plain for span in _find(body, spelled)]
    if b"\\" in body and any(opening in body for opening in sought.openings):
        escape = b"|".join(sorted(pattern for _, pattern in sought.forms))
        # One level as JSON reads it: an escaped backslash is passed over whole, so that what follows is not misread.
        spans += _find_unescaped(body, re.compile(rb"\\\\|\\(?:" + escape + rb")"), sought.plain)
        if b"\\\\" in body:
            spans += _find_unescaped(body, re.compile(rb"\\\\+(?:" + escape + rb")"), sought.plain)
    return [_whole_escapes(body, start, end) for start, end in spans]


def _find(body: bytes, plain: bytes) -> Iterator[Span]:
    at = body.find(plain) if plain else -1
    while at >= 0:
        yield at, at + len(plain)
        at = body.find(plain, at + len(plain))


def _find_unescaped(body: bytes, escapes: re.Pattern[bytes], plain: set[bytes]) -> Iterator[Span]:
    """Search in the body with these escapes resolved, and say where it stands in the body as received."""
    pieces: list[bytes] = []
    here: list[int] = [0]  # where each piece starts in the resolved text, and
    there: list[int] = [0]  # in the body; the pieces are by turns verbatim and one escape
    at = length = 0
    for match in escapes.finditer(body):
        verbatim = body[at : match.start()]
        resolved = _resolved(match[0])
        pieces += (verbatim, resolved)
        here += (length + len(verbatim), length + len(verbatim) + len(resolved))
        there += (match.start(), match.end())
        length += len(verbatim) + len(resolved)
        at = match.end()
    if not pieces:
        return
    pieces.append(body[at:])

    def place(position: int, *, after: bool) -> int:
        piece = bisect_right(here, position) - 1
        if piece % 2 == 0:
            return there[piece] + position - here[piece]
        return there[piece + 1] if after else there[piece]

    resolved_body = b"".join(pieces)
    for start, end in (span for spelled in plain for span in _find(resolved_body, spelled)):
        yield place(start, after=False), place(end - 1, after=True) + (0 if _inside(here, end - 1) else 1)


def _inside(here: list[int], position: int) -> bool:
    return (bisect_right(here, position) - 1) % 2 == 1


def _resolved(escape: bytes) -> bytes:
    stripped = b"\\" + escape.lstrip(b"\\")
    try:
        return _encoded(json.loads(b'"' + (stripped if len(stripped) > 1 else escape) + b'"'))
    except ValueError:
        return escape


def _escapes(character: str) -> Iterator[tuple[bytes, bytes]]:
    """The spellings of one character after the backslash: how each begins, and its pattern."""
    if character in _SHORT:
        spelled = _SHORT[character].encode()
        yield spelled, re.escape(spelled)
    units = character.encode("utf-16-be", "surrogatepass")
    numbers = [b"u%04x" % int.from_bytes(units[i : i + 2], "big") for i in range(0, len(units), 2)]
    either_case = [_HEXADECIMAL_LETTER.sub(lambda m: b"[%s%s]" % (m[0], m[0].upper()), number) for number in numbers]
    yield b"u00" if numbers[0].startswith(b"u00") else b"u", rb"\\".join(either_case)


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def _plain(text: str) -> set[bytes]:
    """The bytes of a text without escapes: as UTF-8, and with the bytes that were not UTF-8 when it was read."""
    spelled = {_encoded(text)}
    with suppress(UnicodeEncodeError):
        spelled.add(text.encode("utf-8", "surrogateescape"))
    return spelled


def _whole_escapes(body: bytes, start: int, end: int) -> Span:
    opening = _escape_around(body, start)
    closing = _escape_around(body, end)
    return (opening[0] if opening else start), (closing[1] if closing else end)


def _escape_around(body: bytes, position: int) -> Span | None:
    """The escape sequence that `position` would cut in two, if any."""
    for back in range(1, 6):
        at = position - back
        if at < 0:
            return None
        if body[at] == 0x5C:
            first = at
            while first > 0 and body[first - 1] == 0x5C:
                first -= 1
            if (at - first) % 2 == 0:
                length = 6 if body[at + 1 : at + 2] == b"u" else 2
                return (at, min(at + length, len(body))) if back < length else None
    return None


_SOUGHT_KEY = _Sought(_KEY)
"""The same for every request; what is found out about a token is dropped with it."""
