"""What became of each list that was asked for: sent whole, in part, not at all, or failed.

Silence means "none" only when the list came whole (HZ-07, HZ-14). Null, an empty Bundle, an OperationOutcome, a page of a
longer list and junk look alike to a careless reader, and are kept apart here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import msgspec
from msgspec import Raw, Struct

from cds.chart import Feed, Source
from cds.intake.envelope import Sent
from cds.intake.prefetch import PAGE
from cds.intake.shapes import BUNDLE, EMPTY, TYPES, Bundle, Entry
from cds.intake.times import Times

_STATUS = re.compile(r"\s*2[0-9][0-9]\b")


class _Peek(Struct, gc=False):
    resourceType: Any = None
    resource: Raw = EMPTY
    response: Any = None


_PEEK = msgspec.json.Decoder(_Peek)


class Listing(Struct, gc=False):
    """One prefetch key while it is read. `single` is set when one resource stood there instead of a list."""

    key: str
    feed: Feed
    detail: str = ""
    entries: tuple[Entry, ...] = ()
    single: bool = False
    wrapped: bool = False
    paged: bool = False
    total: int | None = None
    unread: int = 0
    outcomes: int = 0
    failures: int = 0


def listing(key: str, sent: Sent, *, wrapped: bool = False) -> Listing:
    """What stood under a key. Never raises."""
    if sent is None:
        return Listing(key, Feed.WHOLE, "nothing recorded", wrapped=wrapped)
    if isinstance(sent, Bundle):
        return _bundle(key, sent, wrapped)
    raw = bytes(sent)
    if raw.strip() == b"null":
        return Listing(key, Feed.WHOLE, "nothing recorded", wrapped=wrapped)
    try:
        peek = _PEEK.decode(raw)
    except (ValueError, RecursionError):
        return Listing(key, Feed.FAILED, f"what was sent as '{key}' is not FHIR")
    kind = peek.resourceType
    if kind is None and not wrapped and bytes(peek.resource):
        if isinstance(peek.response, str) and _STATUS.match(peek.response) is None:
            return Listing(key, Feed.FAILED, f"the EHR could not fetch '{key}'", wrapped=True)
        return listing(key, peek.resource, wrapped=True)
    if kind == "Bundle":
        try:
            return _bundle(key, BUNDLE.decode(raw), wrapped)
        except (ValueError, RecursionError):
            return _broken_bundle(key, raw, wrapped)
    if kind == "OperationOutcome":
        return Listing(key, Feed.FAILED, f"the EHR could not fetch '{key}'", wrapped=wrapped)
    if isinstance(kind, str) and kind in TYPES:
        return Listing(key, Feed.WHOLE, "", (Entry(resource=Raw(raw)),), single=True, wrapped=wrapped)
    return Listing(key, Feed.FAILED, f"what was sent as '{key}' is not FHIR")


class _LooseBundle(Struct, gc=False):
    entry: Raw = EMPTY
    link: Any = None
    total: Any = None


class _LooseEntry(Struct, gc=False):
    resource: Raw = EMPTY


_LOOSE = msgspec.json.Decoder(_LooseBundle)
_LOOSE_LIST = msgspec.json.Decoder(tuple[Raw, ...])
_LOOSE_ENTRY = msgspec.json.Decoder(_LooseEntry)


def _broken_bundle(key: str, raw: bytes, wrapped: bool) -> Listing:
    """A Bundle of which some member is of the wrong type: the entries that can be read are, and the list is not whole."""
    try:
        loose = _LOOSE.decode(raw)
        items = _LOOSE_LIST.decode(loose.entry) if bytes(loose.entry) else ()
    except (ValueError, RecursionError):
        return Listing(key, Feed.FAILED, f"what was sent as '{key}' is not a readable Bundle")
    entries = []
    for item in items:
        try:
            entries.append(Entry(resource=_LOOSE_ENTRY.decode(item).resource))
        except (ValueError, RecursionError):
            entries.append(Entry())
    return Listing(key, Feed.PARTIAL, f"the Bundle sent as '{key}' is not well formed", tuple(entries), wrapped=wrapped, unread=1)


def _bundle(key: str, bundle: Bundle, wrapped: bool) -> Listing:
    paged = any(each.relation == "next" for each in bundle.link)
    return Listing(key, Feed.WHOLE, "", bundle.entry, wrapped=wrapped, paged=paged, total=bundle.total)


def source(found: Listing, drawn: Iterable[str] | None, times: Times) -> Source:
    """The state of a key once its entries have been read.

    `drawn` are the effective times of its Observations in the order sent, None when the list holds something else or an entry
    whose time is not a single effectiveDateTime: then nobody can tell whether it is newest first.
    """
    key = found.key
    if found.feed in (Feed.FAILED, Feed.ABSENT):
        return Source(key, found.feed, found.detail)
    matches = sum(each.search is None or each.search.mode in ("", "match") for each in found.entries) - found.outcomes
    if found.failures:
        if matches <= 0:
            return Source(key, Feed.FAILED, f"the EHR could not fetch '{key}'")
        return Source(key, Feed.PARTIAL, f"the EHR could fetch only part of '{key}'")
    if found.unread:
        entries = "1 entry" if found.unread == 1 else f"{found.unread} entries"
        return Source(key, Feed.PARTIAL, found.detail or f"{entries} of '{key}' could not be read")
    cut = key in PAGE and found.total is None and len(found.entries) >= PAGE[key]
    short = found.total is not None and found.total > matches
    if not (found.paged or cut or short):
        return Source(key, found.feed, found.detail)
    detail = f"only the first {matches} entries of '{key}' were sent"
    return Source(key, Feed.PARTIAL, detail, _newest_first_until(drawn, times))


def _newest_first_until(drawn: Iterable[str] | None, times: Times) -> int | None:
    """The time of the oldest entry of a page that is verifiably newest first, else None."""
    if drawn is None:
        return None
    first = last = None
    for text in drawn:
        moment = times.read(text) if text else None
        if moment is None or not moment.exact or (last is not None and moment.latest > last):
            return None
        last = moment.latest
        first = last if first is None else first
    return last if first is not None and last is not None and first > last else None
