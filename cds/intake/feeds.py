"""What became of each list that was asked for: sent whole, in part, not at all, or failed.

Silence means "none" only when the list came whole (HZ-07, HZ-14). Null, an empty Bundle, an OperationOutcome, a page of a
longer list and junk look alike to a careless reader, and are kept apart here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec
from msgspec import Raw, Struct

from cds.chart import Feed, Source
from cds.intake.envelope import Sent, open_request
from cds.intake.prefetch import PAGE
from cds.intake.shapes import BUNDLE, EMPTY, READ_BUNDLE, TYPES, Bundle, Entry, ReadBundle, ReadEntry
from cds.intake.times import Times

_STATUS = re.compile(r"\s*2[0-9][0-9]\b")


class _Peek(Struct, gc=False):
    resourceType: Any = None
    resource: Raw = EMPTY
    response: Any = None


_PEEK = msgspec.json.Decoder(_Peek)


class Listing(Struct, gc=False):
    """One prefetch key while it is read. `single` is set when one resource stood there instead of a list.

    The resources are still bytes (`entries`), or were decoded with the list (`read`). `broken`: one was decoded
    with it and then turned out not to be readable.
    """

    key: str
    feed: Feed
    detail: str = ""
    entries: tuple[Entry, ...] = ()
    read: tuple[ReadEntry, ...] = ()
    bundle: Raw = EMPTY
    single: bool = False
    wrapped: bool = False
    broken: bool = False
    paged: bool = False
    total: int | None = None
    unread: int = 0
    outcomes: int = 0
    failures: int = 0

    @property
    def count(self) -> int:
        """How many entries were sent."""
        return len(self.entries) or len(self.read)

    def as_sent(self) -> tuple[Entry, ...] | None:
        """The entries with their resources as bytes; None when only the bytes of the whole request hold them."""
        if not self.read:
            return self.entries
        return BUNDLE.decode(self.bundle).entry if self.bundle else None


def listing(key: str, sent: Sent, *, wrapped: bool = False) -> Listing:
    """What stood under a key. Never raises."""
    if sent is None:
        return Listing(key, Feed.WHOLE, "nothing recorded", wrapped=wrapped)
    if isinstance(sent, Bundle | ReadBundle):
        return _bundle(key, sent, wrapped)
    try:
        return _bundle(key, READ_BUNDLE.decode(sent), wrapped, sent)
    except (ValueError, RecursionError):
        # Not a Bundle, or one with a resource that cannot be decoded.
        pass
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


def _bundle(key: str, bundle: Bundle | ReadBundle, wrapped: bool, raw: Raw = EMPTY) -> Listing:
    paged = any(each.relation == "next" for each in bundle.link)
    if isinstance(bundle, ReadBundle):
        return Listing(key, Feed.WHOLE, "", (), bundle.entry, raw, wrapped=wrapped, paged=paged, total=bundle.total)
    return Listing(key, Feed.WHOLE, "", bundle.entry, wrapped=wrapped, paged=paged, total=bundle.total)


def entries_as_sent(listings: Mapping[str, Listing], body: bytes) -> dict[str, tuple[Entry, ...]]:
    """The entries of every list with their resources as bytes. `body` is the request that the lists came with."""
    found = {key: each.as_sent() for key, each in listings.items()}
    whole = open_request(body).lists if None in found.values() else {}
    return {key: _again(whole[key]) if entries is None else entries for key, entries in found.items()}


def _again(sent: Sent) -> tuple[Entry, ...]:
    """The entries of a list that was decoded before without a fault."""
    if isinstance(sent, Raw):
        sent = BUNDLE.decode(sent)
    return sent.entry if isinstance(sent, Bundle) else ()


def source(found: Listing, drawn: Callable[[], Iterable[str] | None], times: Times) -> Source:
    """The state of a key once its entries have been read.

    `drawn` gives the effective times of its Observations in the order sent, None when the list holds something else or an entry
    whose time is not a single effectiveDateTime: then nobody can tell whether it is newest first.
    """
    key = found.key
    if found.feed in (Feed.FAILED, Feed.ABSENT):
        return Source(key, found.feed, found.detail)
    modes = [each.search.mode for each in (found.entries or found.read) if each.search is not None]
    matches = found.count - len(modes) + modes.count("match") + modes.count("") - found.outcomes
    if found.failures:
        if matches <= 0:
            return Source(key, Feed.FAILED, f"the EHR could not fetch '{key}'")
        return Source(key, Feed.PARTIAL, f"the EHR could fetch only part of '{key}'")
    if found.unread:
        entries = "1 entry" if found.unread == 1 else f"{found.unread} entries"
        return Source(key, Feed.PARTIAL, found.detail or f"{entries} of '{key}' could not be read")
    cut = key in PAGE and found.total is None and found.count >= PAGE[key]
    short = found.total is not None and found.total > matches
    if not (found.paged or cut or short):
        return Source(key, found.feed, found.detail)
    detail = f"only the first {matches} entries of '{key}' were sent"
    return Source(key, Feed.PARTIAL, detail, _newest_first_until(drawn(), times))


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
