"""The resources of a request as the bytes that were received: for suggestions that must return one whole, and for validation."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import msgspec

from cds.intake.shapes import Bundle, Entry

_PATH = re.compile(r"(?:context\.draftOrders|prefetch\.([A-Za-z0-9_\-]+))(?:\.entry\[([0-9]{1,6})\]\.resource)?(?:\..*)?")


class _Name(msgspec.Struct, gc=False):
    resourceType: str = ""
    id: str = ""


_NAME = msgspec.json.Decoder(_Name)


class RawResources:
    """Resources by payload path (an `Order.raw_key`, a `Result.path`, a `Problem.path`) or by `Type/id`.

    Drafts come before lists when two resources share a name. `lists` is called when a listed resource is first asked for: the
    lists of a request without faults are decoded a second time then, as bytes.
    """

    def __init__(
        self, drafts: Bundle | None, lists: Callable[[], Mapping[str, tuple[Entry, ...]]], single: frozenset[str]
    ) -> None:
        self._drafts = () if drafts is None else drafts.entry
        self._make = lists
        self._made: Mapping[str, tuple[Entry, ...]] | None = None
        self._single = single
        self._names: dict[str, bytes] | None = None

    def get(self, path_or_ref: str) -> bytes | None:
        """The bytes as received, None when the request holds no such resource."""
        form = _PATH.fullmatch(path_or_ref)
        if form is None:
            return self._by_name().get(path_or_ref)
        key, index = form[1], form[2]
        entries = self._drafts if key is None else self._lists().get(key, ())
        if index is None:
            return bytes(entries[0].resource) if key in self._single and entries else None
        number = int(index)
        return (bytes(entries[number].resource) or None) if number < len(entries) else None

    def _lists(self) -> Mapping[str, tuple[Entry, ...]]:
        if self._made is None:
            self._made = self._make()
        return self._made

    def _by_name(self) -> dict[str, bytes]:
        if self._names is None:
            names: dict[str, bytes] = {}
            for entries in (self._drafts, *self._lists().values()):
                for entry in entries:
                    try:
                        name = _NAME.decode(entry.resource)
                    except (ValueError, RecursionError):
                        continue
                    if name.resourceType and name.id:
                        names.setdefault(f"{name.resourceType}/{name.id}", bytes(entry.resource))
            self._names = names
        return self._names
