"""The envelope of a CDS Hooks request: which call this is, about whom, and the lists as they were sent.

A request of which everything is well formed is decoded in one pass. Else the resources are left as bytes, to be decoded alone;
and when that fails as well, the request is taken apart member by member, so that the refusal names the path and a bad list
never costs the good ones.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, cast

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType

from cds.intake.prefetch import PREFETCH
from cds.intake.shapes import EMPTY, Bundle, Entry, ReadBundle

EVALUATE_AT = "example.trivet.evaluate-at"

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII)
_UUID = re.compile(r"[0-9a-fA-F]{8}-(?:[0-9a-fA-F]{4}-){3}[0-9a-fA-F]{12}", re.ASCII)
_USER = re.compile(r"(Practitioner|PractitionerRole|Patient|RelatedPerson)/[A-Za-z0-9\-.]{1,64}", re.ASCII)
_LIST = re.compile(r" - at `\$\.prefetch\.([a-z_]+)[.\[`]")
_MOST_FAULTY = 3
"""How often a request is decoded as a whole before all of its resources are left as bytes."""
_WHERE = re.compile(r" - at `\$\.?([^`]*)`")
_ORDER_HOOKS = ("order-select", "order-sign")
_URL = re.compile(r"https?://[^\s\"<>\\]{1,1000}")


class RequestError(Exception):
    """A request that is refused as a whole. `code` is a FHIR issue type; `expression` is the path in the payload.

    The message repeats nothing of the payload but the names of its members.
    """

    def __init__(self, status: int, code: str, message: str, expression: str = "") -> None:
        super().__init__(message)
        self.status = status
        self.code = code
        self.message = message
        self.expression = expression


@dataclass(frozen=True, slots=True)
class Envelope:
    """What the call says about itself. `evaluate_at` is epoch ms, None when not sent or not honoured (F-35)."""

    hook: str
    hook_instance: str
    user_id: str
    patient_id: str
    encounter_id: str | None
    fhir_server: str | None
    has_authorization: bool
    selections: tuple[str, ...]
    evaluate_at: int | None


class Context(Struct, gc=False):
    userId: str = ""
    patientId: str = ""
    encounterId: str | None = None
    selections: tuple[str, ...] | None = None
    draftOrders: Bundle | None = None


def _lists_of(bundle: type[Struct], left: frozenset[str] = frozenset()) -> type[Struct]:
    """The announced keys, each with a Bundle or null; anything else makes the request one that is taken apart. Those in `left` stay
    bytes.
    """
    fields = [(key, Raw, EMPTY) if key == "patient" or key in left else (key, bundle | None | UnsetType, UNSET) for key in PREFETCH]
    return msgspec.defstruct("_Lists", fields, forbid_unknown_fields=True, gc=False)


_Lists = _lists_of(Bundle)


class _Whole(Struct, gc=False):
    """A request as most clients send it: announced keys only, and a Bundle or null under each."""

    hook: str = ""
    hookInstance: str = ""
    context: Context | None = None
    prefetch: _Lists | None = None  # type: ignore[valid-type]
    fhirServer: str | None = None
    fhirAuthorization: dict[str, Any] | None = None
    extension: dict[str, Any] | None = None


class _Parts(Struct, gc=False):
    """The same, with every member left as bytes."""

    hook: Raw = EMPTY
    hookInstance: Raw = EMPTY
    context: Raw = EMPTY
    prefetch: Raw = EMPTY
    fhirServer: Raw = EMPTY
    fhirAuthorization: Raw = EMPTY
    extension: Raw = EMPTY


class _ContextParts(Struct, gc=False):
    userId: Raw = EMPTY
    patientId: Raw = EMPTY
    encounterId: Raw = EMPTY
    selections: Raw = EMPTY
    draftOrders: Raw = EMPTY


_WHOLE = msgspec.json.Decoder(_Whole)
_PARTS = msgspec.json.Decoder(_Parts)
_CONTEXT = msgspec.json.Decoder(_ContextParts)
_DRAFTS = msgspec.json.Decoder(Bundle)


class _LooseDrafts(Struct, gc=False):
    resourceType: Literal["Bundle"]
    entry: tuple[Raw, ...] = ()


_LOOSE_DRAFTS = msgspec.json.Decoder(_LooseDrafts)
_ENTRY = msgspec.json.Decoder(Entry)
_RAW_LISTS = msgspec.json.Decoder(dict[str, Raw])



@cache
def _read_whole(left: frozenset[str]) -> msgspec.json.Decoder[_Whole]:
    """Decodes a request with every listed resource in one pass, but for the lists in `left`: they stay bytes."""
    lists = _lists_of(ReadBundle, left)
    return msgspec.json.Decoder(msgspec.defstruct("_ReadWhole", [("prefetch", lists | None, None)], bases=(_Whole,), gc=False))


_READ_WHOLE = _read_whole(frozenset())

Sent = Bundle | ReadBundle | Raw | None
"""What stood under a prefetch key: a Bundle, null (None), or bytes that are still to be looked at."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A request taken apart: its envelope, its drafts, and what stood under each prefetch key. `body_context` is the decoded context."""

    hook: str
    hook_instance: str
    context: Context
    fhir_server: str | None
    has_authorization: bool
    extension: Mapping[str, Any]
    lists: Mapping[str, Sent]


def open_and_read(body: bytes) -> Opened:
    """The same as `open_request`, with the listed resources already decoded, but for up to two lists in which one cannot be."""
    decoder, left = _READ_WHOLE, frozenset[str]()
    for _ in range(_MOST_FAULTY):
        try:
            return _opened(decoder.decode(body))
        except (ValueError, RecursionError) as error:
            faulty = _LIST.search(str(error))
            if faulty is None or faulty[1] in left:
                break
            left |= {faulty[1]}
            decoder = _read_whole(left)
    return open_request(body)


def open_request(body: bytes) -> Opened:
    """Take a request apart, and leave every resource as bytes. RequestError 400 with the path when it is not a CDS Hooks request."""
    try:
        whole = _WHOLE.decode(body)
    except (ValueError, RecursionError):
        return _member_by_member(body)
    return _opened(whole)


def _opened(whole: _Whole) -> Opened:
    if whole.context is None:
        raise RequestError(400, "required", "the request has no context", "context")
    lists: dict[str, Sent] = {}
    if whole.prefetch is not None:
        for key in PREFETCH:
            value = getattr(whole.prefetch, key)
            if value is UNSET or (isinstance(value, Raw) and not value):
                continue
            lists[key] = value
    return Opened(
        whole.hook,
        whole.hookInstance,
        whole.context,
        whole.fhirServer,
        whole.fhirAuthorization is not None,
        whole.extension or {},
        lists,
    )


def _member_by_member(body: bytes) -> Opened:
    try:
        parts = _PARTS.decode(body)
    except RecursionError:
        raise RequestError(400, "structure", "the request is nested too deeply") from None
    except msgspec.ValidationError:
        raise RequestError(400, "structure", "the request is not a JSON object") from None
    except ValueError:
        raise RequestError(400, "structure", "the request is not well-formed JSON") from None
    hook = _member(parts.hook, str, "hook") or ""
    instance = _member(parts.hookInstance, str, "hookInstance") or ""
    if not bytes(parts.context):
        raise RequestError(400, "required", "the request has no context", "context")
    context_parts = _decoded(parts.context, _CONTEXT, "context")
    drafts = None
    if bytes(context_parts.draftOrders) not in (b"", b"null"):
        drafts = _drafts(context_parts.draftOrders)
    context = Context(
        _member(context_parts.userId, str, "context.userId") or "",
        _member(context_parts.patientId, str, "context.patientId") or "",
        _member(context_parts.encounterId, str, "context.encounterId"),
        _member(context_parts.selections, tuple[str, ...], "context.selections"),
        drafts,
    )
    lists: Mapping[str, Sent] = {}
    if bytes(parts.prefetch) not in (b"", b"null"):
        try:
            lists = _RAW_LISTS.decode(parts.prefetch)
        except (ValueError, RecursionError):
            raise RequestError(400, "structure", "prefetch is not an object", "prefetch") from None
    authorization = _member(parts.fhirAuthorization, dict[str, Any], "fhirAuthorization")
    return Opened(
        hook,
        instance,
        context,
        _member(parts.fhirServer, str, "fhirServer"),
        authorization is not None,
        _member(parts.extension, dict[str, Any], "extension") or {},
        lists,
    )


def _drafts(raw: Raw) -> Bundle:
    """The drafts; an entry that is no object keeps its place and holds nothing, so that one such entry costs no other draft its judgement (CH-53)."""
    try:
        return _DRAFTS.decode(raw)
    except (ValueError, RecursionError):
        pass
    try:
        loose = _LOOSE_DRAFTS.decode(raw)
    except (ValueError, RecursionError):
        loose = None
    if loose is None:
        return cast(Bundle, _decoded(raw, _DRAFTS, "context.draftOrders"))
    return Bundle("Bundle", tuple(_entry(item) for item in loose.entry))


def _entry(raw: Raw) -> Entry:
    try:
        return _ENTRY.decode(raw)
    except (ValueError, RecursionError):
        return Entry()


def _member(raw: Raw, kind: Any, path: str) -> Any:
    if not bytes(raw):
        return None
    return _decoded(raw, msgspec.json.Decoder(kind | None), path)


def _decoded(raw: Raw, decoder: msgspec.json.Decoder[Any], path: str) -> Any:
    try:
        return decoder.decode(raw)
    except RecursionError:
        raise RequestError(400, "structure", f"{path} is nested too deeply", path) from None
    except msgspec.ValidationError as error:
        found = _WHERE.search(str(error))
        where = path if found is None or not found[1] else f"{path}{'' if found[1].startswith('[') else '.'}{found[1]}"
        raise RequestError(400, "structure", f"{where} is not of the type that CDS Hooks asks for", where) from None
    except ValueError:
        raise RequestError(400, "structure", f"{path} is not readable text", path) from None


def check(opened: Opened, hook: str, evaluate_at: int | None) -> Envelope:
    """Refuse a call that misses what its hook requires. RequestError 400 with the path."""
    context = opened.context
    if not opened.hook:
        raise RequestError(400, "required", "the request has no hook", "hook")
    if opened.hook != hook:
        raise RequestError(400, "value", f"this service answers the hook {hook} only", "hook")
    if not opened.hook_instance:
        raise RequestError(400, "required", "the request has no hookInstance", "hookInstance")
    if _UUID.fullmatch(opened.hook_instance) is None:
        raise RequestError(400, "value", "hookInstance is not a UUID", "hookInstance")
    if opened.has_authorization and not opened.fhir_server:
        raise RequestError(400, "invariant", "fhirAuthorization needs fhirServer beside it", "fhirServer")
    if opened.fhir_server is not None and _URL.fullmatch(opened.fhir_server) is None:
        raise RequestError(400, "value", "fhirServer is not an address", "fhirServer")
    _identity(context.patientId, "context.patientId", required=True)
    if not context.userId:
        raise RequestError(400, "required", "the context has no userId", "context.userId")
    user = _USER.fullmatch(context.userId)
    if user is None or (user[1] in ("Patient", "RelatedPerson") and hook != "patient-view"):
        raise RequestError(400, "value", "userId does not name a user that this hook allows", "context.userId")
    if context.encounterId is not None or hook == "encounter-discharge":
        _identity(context.encounterId or "", "context.encounterId", required=True)
    if hook in _ORDER_HOOKS and context.draftOrders is None:
        raise RequestError(400, "required", "the context has no draftOrders", "context.draftOrders")
    if hook == "order-select" and context.selections is None:
        raise RequestError(400, "required", "the context has no selections", "context.selections")
    return Envelope(
        opened.hook,
        opened.hook_instance.lower(),
        context.userId,
        context.patientId,
        context.encounterId,
        opened.fhir_server,
        opened.has_authorization,
        context.selections or (),
        evaluate_at,
    )


def _identity(value: str, path: str, *, required: bool) -> None:
    if not value and required:
        raise RequestError(400, "required", f"{path} is missing", path)
    if _ID.fullmatch(value) is None:
        raise RequestError(400, "value", f"{path} is not a FHIR id", path)
