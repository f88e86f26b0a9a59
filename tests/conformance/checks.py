"""What the CDS Hooks text asks of a discovery document, an answer and an error, as pure functions over JSON.

Each function returns faults, one line each, beginning with the clause id and the path ("CH-62 cards[0].summary: ...").
An empty list means that nothing is wrong. Clause ids are those of clauses.py.
"""

import json
import re
from collections.abc import Iterable, Iterator
from typing import Any, TypeGuard
from urllib.parse import parse_qsl, urlsplit

from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

Json = Any

INDICATORS = ("info", "warning", "critical")
ROLES = ("lead", "with", "folded", "absorbed")

# The hook library: required context, tokens usable in prefetch, published versions. patient-view is printed as 1.0 and as 1.1.
HOOKS: dict[str, tuple[str, ...]] = {
    "patient-view": ("1.0", "1.1"),
    "order-select": ("1.0",),
    "order-sign": ("1.0",),
    "encounter-start": ("1.0",),
    "encounter-discharge": ("1.0",),
}
DEPRECATED_HOOKS = ("medication-prescribe", "order-review")
CONTEXT_TOKENS = ("context.userId", "context.patientId", "context.encounterId")
USER_TOKENS = ("userPractitionerId", "userPractitionerRoleId", "userPatientId", "userRelatedPersonId")

_UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_SEMVER = re.compile(r"\d+\.\d+\.\d+(-[0-9A-Za-z.-]+)?")
_REFERENCE = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_TEMPLATE = re.compile(r"[A-Z][A-Za-z]+(/[^/?$]+|\?[^?$]+)")
_FILTERED_TAG = re.compile(r"</?(title|textarea|style|xmp|iframe|noembed|noframes|script|plaintext)\b", re.IGNORECASE)
_ANY_TAG = re.compile(r"<(/?[A-Za-z][^>]*>|!--|\?|![A-Z])")
_AUTOLINK = re.compile(r"<[A-Za-z][A-Za-z0-9+.-]+:[^\s<>]*>")
_LEAK = re.compile(
    r"Traceback|File \\?\"|site-packages|\.py\b|line \d+, in |0x[0-9a-f]{8}|/usr/|/home/|/root/|/tmp/", re.IGNORECASE
)

# Simple subset of CDS Hooks search: references, token equality or :in, dates with eq/lt/gt/ge/le, _count and _sort.
_SIMPLE_NAMES = re.compile(
    r"(patient|subject|encounter|code|category|status|clinical-status|verification-status|date|effective-time|authoredon|intent|_id|_count|_sort)(:in)?"
)
_DATE_VALUE = re.compile(r"(eq|lt|gt|ge|le)?\d{4}.*")

_CODING = {"code", "system", "display", "extension"}
_MEMBERS = {
    "discovery": {"services", "extension"},
    "service": {
        "hook",
        "title",
        "description",
        "id",
        "prefetch",
        "usageRequirements",
        "version",
        "hookVersion",
        "extension",
    },
    "response": {"cards", "systemActions", "extension"},
    "card": {
        "uuid",
        "summary",
        "detail",
        "indicator",
        "source",
        "suggestions",
        "selectionBehavior",
        "overrideReasons",
        "links",
        "extension",
    },
    "source": {"label", "url", "icon", "topic", "extension"},
    "coding": _CODING,
    "suggestion": {"label", "uuid", "isRecommended", "actions", "actionSelectionBehavior", "extension"},
    "action": {"type", "description", "resource", "resourceId", "extension"},
    "link": {"label", "url", "type", "appContext", "autolaunchable", "extension"},
}


# ---------------------------------------------------------------------------------------------------------- A. JSON


def strict_json(body: bytes) -> Json:
    """The one JSON value in `body`. ValueError for bad UTF-8, NaN, Infinity, a repeated member or anything after the value (CH-01)."""

    def no_constant(name: str) -> Json:
        raise ValueError(f"{name} is not JSON")

    def no_repeats(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
        members = dict(pairs)
        if len(members) != len(pairs):
            raise ValueError(f"a member stands twice among {[name for name, _ in pairs]}")
        return members

    return json.loads(body.decode("utf-8"), parse_constant=no_constant, object_pairs_hook=no_repeats)


def check_json_body(body: bytes, content_type: str) -> list[str]:
    """CH-01: one well-formed JSON value, sent with a JSON media type."""
    faults = [] if "json" in content_type else [f"CH-01 Content-Type: {content_type!r} is no JSON media type"]
    try:
        strict_json(body)
    except ValueError as error:
        faults.append(f"CH-01 body: {error}")
    return faults


def check_no_empty(body: Json, allowed: Iterable[str] = ("cards", "services")) -> list[str]:
    """CH-02: no null, "", [] or {} except the arrays at the top that the text allows by name."""
    allowed = tuple(allowed)
    return [
        f"CH-02 {path}: {value!r}"
        for path, value in _walk(body, "")
        if _is_empty(value) and not (path in allowed and value == [])
    ]


def _is_empty(value: Json) -> bool:
    return value is None or (isinstance(value, (str, list, dict)) and not value)


def _walk(value: Json, path: str) -> Iterator[tuple[str, Json]]:
    if isinstance(value, dict):
        for name, child in value.items():
            child_path = f"{path}.{name}" if path else name
            yield child_path, child
            yield from _walk(child, child_path)
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield f"{path}[{index}]", child
            yield from _walk(child, f"{path}[{index}]")


def check_resource(resource: Json, path: str = "resource") -> list[str]:
    """CH-04: an object with a capitalised resourceType that the R4B classes of fhir.resources accept."""
    if not isinstance(resource, dict):
        return [f"CH-04 {path}: a {type(resource).__name__}, not an object"]
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or not kind[:1].isupper():
        return [f"CH-04 {path}.resourceType: {kind!r}"]
    try:
        get_fhir_model_class(kind).model_validate(resource)
    except ValidationError as error:
        return [f"CH-04 {path}.{'.'.join(map(str, line['loc']))}: {line['msg']}" for line in error.errors()]
    except ValueError as error:
        return [f"CH-04 {path}.resourceType: {error}"]
    return []


# ----------------------------------------------------------------------------------------------- B and C. discovery


def check_discovery(body: Json) -> list[str]:
    """CH-02 and CH-06 to CH-21 over a discovery document."""
    if not isinstance(body, dict) or not isinstance(body.get("services"), list):
        return ["CH-06 services: no array"]
    faults = check_no_empty(body) + _unknown_members(body, "discovery", "")
    pairs: list[tuple[Json, Json]] = []
    for index, service in enumerate(body["services"]):
        path = f"services[{index}]"
        if not isinstance(service, dict):
            faults.append(f"CH-06 {path}: no object")
            continue
        faults += _unknown_members(service, "service", path) + _check_service(service, path)
        pairs.append((service.get("id"), service.get("hook")))
    faults += [f"CH-15 services: {pair} stands more than once" for pair in set(pairs) if pairs.count(pair) > 1]
    return faults


def _check_service(service: dict[str, Json], path: str) -> list[str]:
    faults = []
    hook, name = service.get("hook"), service.get("id")
    if not _text(hook):
        faults.append(f"CH-07 {path}.hook: {hook!r}")
    elif hook in DEPRECATED_HOOKS or (hook not in HOOKS and "." not in hook):
        faults.append(
            f"CH-16 {path}.hook: {hook!r} is deprecated, or neither in the library nor in reverse-domain form"
        )
    if not _text(name) or re.search(r"[^A-Za-z0-9._~-]", name):
        faults.append(f"CH-08 {path}.id: {name!r} is not safe in an address")
    if not _text(service.get("description")):
        faults.append(f"CH-09 {path}.description: {service.get('description')!r}")
    if not _text(service.get("title")):
        faults.append(f"CH-10 {path}.title: {service.get('title')!r}")
    if "usageRequirements" in service and not _text(service["usageRequirements"]):
        faults.append(f"CH-12 {path}.usageRequirements: {service['usageRequirements']!r}")
    if "version" in service and not (_text(service["version"]) and _SEMVER.fullmatch(service["version"])):
        faults.append(f"CH-13 {path}.version: {service['version']!r}")
    if "hookVersion" in service and service["hookVersion"] not in HOOKS.get(str(hook), (service["hookVersion"],)):
        faults.append(f"CH-14 {path}.hookVersion: {service['hookVersion']!r} is not the published one")
    if "prefetch" in service:
        faults += _check_prefetch(service["prefetch"], f"{path}.prefetch")
    return faults


def _check_prefetch(prefetch: Json, path: str) -> list[str]:
    if not isinstance(prefetch, dict) or not prefetch:
        return [f"CH-11 {path}: no map of templates"]
    faults = []
    for key, template in prefetch.items():
        if not _text(template):
            faults.append(f"CH-11 {path}.{key}: {template!r}")
        else:
            faults += check_template(template, f"{path}.{key}")
    return faults


def check_template(template: str, path: str = "template") -> list[str]:
    """CH-17 to CH-21 over one prefetch template."""
    faults = []
    for token in re.findall(r"\{\{(.*?)\}\}", template):
        if not re.fullmatch(r"context\.[A-Za-z]+|user(Practitioner|PractitionerRole|Patient|RelatedPerson)Id", token):
            faults.append(f"CH-17 {path}: token {token!r} is not of the 2.0 form")
        elif token not in CONTEXT_TOKENS + USER_TOKENS:
            faults.append(f"CH-18 {path}: the hook has no prefetch field {token!r}")
    bare = re.sub(r"\{\{.*?\}\}", "x", template)
    if "{" in bare or "}" in bare:
        faults.append(f"CH-17 {path}: braces do not balance in {template!r}")
    if not _TEMPLATE.fullmatch(bare):
        faults.append(f"CH-19 {path}: {template!r} is no relative read or search")
    if "%" in re.sub(r"%[0-9A-F]{2}", "", bare):
        faults.append(f"CH-21 {path}: {template!r} leans on another key, which 2.0 does not know")
    if "?" in bare:
        faults += [f"CH-20 {path}: {fault}" for fault in _outside_simple_subset(bare.split("?", 1)[1])]
    return faults


def _outside_simple_subset(query: str) -> list[str]:
    faults = []
    for name, value in parse_qsl(query, keep_blank_values=True):
        if not _SIMPLE_NAMES.fullmatch(name):
            faults.append(f"parameter {name!r}")
        elif not value:
            faults.append(f"parameter {name!r} without a value")
        elif name == "_count" and not value.isdigit():
            faults.append(f"_count={value}")
        elif name in ("date", "effective-time", "authoredon") and not _DATE_VALUE.fullmatch(value):
            faults.append(f"{name}={value}")
    return faults


# -------------------------------------------------------------------------------------------------------- H. answers


def check_response(body: Json, patient_id: str | None = None) -> list[str]:
    """CH-02, CH-04 and CH-61 to CH-84 over the body of a 200 answer, the invariants cds-resp-1 to -7 among them.

    Our own rules are checked too: every card has a uuid and a topic (CH-68, CH-66), no raw HTML and no image in the detail
    (CH-67), and the extension that lists the advisories has its form and holds the topic's code (F-10).
    `patient_id`, if given, may not stand in a source address (CH-65).
    """
    if not isinstance(body, dict) or not isinstance(body.get("cards"), list):
        return ["CH-61 cards: no array"]
    faults = [fault for fault in check_no_empty(body, ("cards",)) if not _null_beside_extension(fault)]
    faults += _unknown_members(body, "response", "") + _check_extension(body, "")
    seen: set[str] = set()
    for index, card in enumerate(body["cards"]):
        path = f"cards[{index}]"
        if not isinstance(card, dict):
            faults.append(f"CH-61 {path}: no object")
            continue
        faults += _check_card(card, path, patient_id)
        for uuid in _uuids(card):
            if uuid in seen:
                faults.append(f"CH-68 {path}: uuid {uuid} stands twice")
            seen.add(uuid)
    if "systemActions" in body:
        actions = body["systemActions"]
        if not isinstance(actions, list) or not actions:
            faults.append("CH-82 systemActions: neither absent nor a filled array")
        else:
            for index, action in enumerate(actions):
                faults += _check_action(action, f"systemActions[{index}]", described=False)
    return faults


def _null_beside_extension(fault: str) -> bool:
    """FHIR JSON pads an array of primitives with null where only the extension has a value."""
    return re.search(r"\.resource\..*\[\d+\]: None$", fault) is not None


def _uuids(card: dict[str, Json]) -> list[str]:
    suggestions = card.get("suggestions")
    parts = [card, *(suggestions if isinstance(suggestions, list) else [])]
    return [part["uuid"] for part in parts if isinstance(part, dict) and isinstance(part.get("uuid"), str)]


def repeated_uuids(bodies: Iterable[Json]) -> list[str]:
    """CH-68: uuids of cards and suggestions that stand in more than one of these answers (of different hookInstances)."""
    seen: set[str] = set()
    faults = []
    for body in bodies:
        here = {uuid for card in body["cards"] for uuid in _uuids(card)}
        faults += [f"CH-68 uuid {uuid} stands in two answers" for uuid in sorted(here & seen)]
        seen |= here
    return faults


def _check_card(card: dict[str, Json], path: str, patient_id: str | None) -> list[str]:
    faults = _unknown_members(card, "card", path) + _check_extension(card, path)
    summary = card.get("summary")
    if not _text(summary) or len(summary) >= 140 or len(summary.splitlines()) != 1:
        faults.append(f"CH-62 {path}.summary: {summary!r} is not one line of 1 to 139 characters")
    if card.get("indicator") not in INDICATORS:
        faults.append(f"CH-63 {path}.indicator: {card.get('indicator')!r}")
    if not (isinstance(card.get("uuid"), str) and _UUID.fullmatch(card["uuid"])):
        faults.append(f"CH-68 {path}.uuid: {card.get('uuid')!r}")
    faults += _check_source(card.get("source"), f"{path}.source", patient_id)
    if "detail" in card:
        faults += check_markdown(card["detail"], f"{path}.detail")
    faults += _check_suggestions(card, path)
    for index, reason in enumerate(_list(card, "overrideReasons", "CH-78", path, faults)):
        faults += _check_coding(reason, f"{path}.overrideReasons[{index}]", "CH-78", ("code", "system", "display"))
    for index, link in enumerate(_list(card, "links", "CH-79", path, faults)):
        faults += _check_link(link, f"{path}.links[{index}]", card.get("indicator"))
    return faults + _check_advisories(card, path)


def _check_source(source: Json, path: str, patient_id: str | None) -> list[str]:
    if not isinstance(source, dict) or not _text(source.get("label")):
        return [f"CH-64 {path}.label: missing"]
    faults = _unknown_members(source, "source", path)
    for name in ("url", "icon"):
        if name in source and not _absolute(source[name]):
            faults.append(f"CH-65 {path}.{name}: {source[name]!r} is not an absolute address")
    if patient_id and patient_id in str(source.get("url", "")):
        faults.append(f"CH-65 {path}.url: names the patient")
    return faults + _check_coding(source.get("topic"), f"{path}.topic", "CH-66", ("code", "system"))


def check_markdown(detail: Json, path: str = "detail") -> list[str]:
    """CH-67: GFM without raw HTML and without images. A comparison such as `<3.5` is text, and code spans are not looked into."""
    if not _text(detail):
        return [f"CH-67 {path}: {type(detail).__name__}, not text"]
    prose = _AUTOLINK.sub("", re.sub(r"`[^`]*`", "", detail))
    faults = []
    if _FILTERED_TAG.search(prose) or _ANY_TAG.search(prose):
        faults.append(f"CH-67 {path}: raw HTML")
    if re.search(r"!\[[^\]]*\]\(", prose):
        faults.append(f"CH-67 {path}: an image")
    return faults


def _check_suggestions(card: dict[str, Json], path: str) -> list[str]:
    faults: list[str] = []
    if "selectionBehavior" in card and card["selectionBehavior"] not in ("at-most-one", "any"):
        faults.append(f"CH-70 {path}.selectionBehavior: {card['selectionBehavior']!r}")
    suggestions = _list(card, "suggestions", "CH-72", path, faults)
    if suggestions and "selectionBehavior" not in card:
        faults.append(f"CH-69 {path}.selectionBehavior: missing")
    recommended = [s for s in suggestions if isinstance(s, dict) and s.get("isRecommended") is True]
    if card.get("selectionBehavior") == "at-most-one" and len(recommended) > 1:
        faults.append(f"CH-71 {path}.suggestions: {len(recommended)} recommended")
    for index, suggestion in enumerate(suggestions):
        faults += _check_suggestion(suggestion, f"{path}.suggestions[{index}]")
    return faults


def _check_suggestion(suggestion: Json, path: str) -> list[str]:
    if not isinstance(suggestion, dict) or not _text(suggestion.get("label")):
        return [f"CH-72 {path}.label: missing"]
    faults = _unknown_members(suggestion, "suggestion", path)
    if not (isinstance(suggestion.get("uuid"), str) and _UUID.fullmatch(suggestion["uuid"])):
        faults.append(f"CH-72 {path}.uuid: {suggestion.get('uuid')!r}")
    if not isinstance(suggestion.get("isRecommended", False), bool):
        faults.append(f"CH-72 {path}.isRecommended: {suggestion['isRecommended']!r}")
    if "actionSelectionBehavior" in suggestion:
        faults.append(f"CH-77 {path}.actionSelectionBehavior: sent, though no client is known to support it")
    for index, action in enumerate(_list(suggestion, "actions", "CH-73", path, faults)):
        faults += _check_action(action, f"{path}.actions[{index}]", described=True)
    return faults


def _check_action(action: Json, path: str, described: bool) -> list[str]:
    if not isinstance(action, dict):
        return [f"CH-73 {path}: no object"]
    faults = _unknown_members(action, "action", path)
    kind = action.get("type")
    if kind not in ("create", "update", "delete"):
        faults.append(f"CH-73 {path}.type: {kind!r}")
    if described and not _text(action.get("description")):
        faults.append(f"CH-73 {path}.description: missing")
    resource = action.get("resource")
    if kind == "create" and not isinstance(resource, dict):
        faults.append(f"CH-74 {path}.resource: no object")
    if kind == "update" and not (isinstance(resource, dict) and _text(resource.get("id"))):
        faults.append(f"CH-75 {path}.resource: no whole resource with its id")
    if kind == "delete" and ("resource" in action or not _reference(action.get("resourceId"))):
        faults.append(f"CH-76 {path}.resourceId: {action.get('resourceId')!r}, or a resource beside it")
    if "resource" in action:
        faults += check_resource(resource, f"{path}.resource")
    return faults


def check_updates(body: Json, draft_orders: Json, listed: Json = None) -> list[str]:
    """CH-75: an update names a draft of the request and keeps its elements, contained resources and subject.

    An update may also stop an order of the medication list `listed`: then it is that order exactly as sent, but for status and statusReason (F-40).
    """
    drafts, running = _by_name(draft_orders), _by_name(listed)
    faults = []
    for path, action in _walk(body, ""):
        if not (
            isinstance(action, dict) and action.get("type") == "update" and isinstance(action.get("resource"), dict)
        ):
            continue
        resource = action["resource"]
        name = (resource.get("resourceType"), resource.get("id"))
        if name in drafts:
            faults += _changes(drafts[name], resource, f"{path}.resource")
        elif name in running:
            kept = {k: v for k, v in running[name].items() if k not in ("status", "statusReason")}
            if kept != {k: v for k, v in resource.items() if k not in ("status", "statusReason")}:
                faults.append(f"CH-75 {path}.resource: more than the status of a listed order is changed")
            if resource.get("status") not in ("stopped", "on-hold"):
                faults.append(f"CH-75 {path}.resource.status: a listed order may only be stopped or held")
        else:
            faults.append(f"CH-75 {path}.resource: no draft {resource.get('resourceType')}/{resource.get('id')}")
    return faults


def _by_name(bundle: Json) -> dict[tuple[Json, Json], Json]:
    entries = bundle.get("entry", []) if isinstance(bundle, dict) else []
    return {
        (e["resource"].get("resourceType"), e["resource"].get("id")): e["resource"]
        for e in entries
        if isinstance(e, dict) and isinstance(e.get("resource"), dict)
    }


def _changes(draft: Json, resource: Json, path: str) -> list[str]:
    faults = [f"CH-75 {path}.{name}: dropped from the draft" for name in draft if name not in resource]
    if draft.get("subject") != resource.get("subject"):
        faults.append(f"CH-75 {path}.subject: changed")
    before = [c.get("id") for c in draft.get("contained", [])]
    if before != [c.get("id") for c in resource.get("contained", [])]:
        faults.append(f"CH-75 {path}.contained: not the resources of the draft")
    return faults


def _check_link(link: Json, path: str, indicator: Json) -> list[str]:
    if not isinstance(link, dict):
        return [f"CH-79 {path}: no object"]
    faults = _unknown_members(link, "link", path)
    if not _text(link.get("label")) or not _absolute(link.get("url")) or link.get("type") not in ("absolute", "smart"):
        faults.append(f"CH-79 {path}: label, absolute url and type absolute or smart are required")
    if "appContext" in link and link.get("type") != "smart":
        faults.append(f"CH-80 {path}.appContext: on a link that is not smart")
    if "autolaunchable" in link and (indicator != "info" or not isinstance(link["autolaunchable"], bool)):
        faults.append(f"CH-81 {path}.autolaunchable: not boolean, or on a safety card")
    return faults


def _check_coding(coding: Json, path: str, clause: str, required: tuple[str, ...]) -> list[str]:
    if not isinstance(coding, dict):
        return [f"{clause} {path}: no Coding"]
    return [f"{clause} {path}.{name}: missing" for name in required if not _text(coding.get(name))] + _unknown_members(
        coding, "coding", path
    )


def _check_extension(holder: dict[str, Json], path: str) -> list[str]:
    if "extension" not in holder:
        return []
    extension = holder["extension"]
    if not isinstance(extension, dict):
        return [f"CH-83 {path}.extension: no object"]
    return [f"CH-83 {path}.extension.{name}: no reverse-domain name" for name in extension if "." not in name]


def _check_advisories(card: dict[str, Json], path: str) -> list[str]:
    extension = card.get("extension")
    if not isinstance(extension, dict) or "example.trivet.advisories" not in extension:
        return [f"F-10 {path}.extension: does not list the advisories that the card carries"]
    advisories = extension["example.trivet.advisories"]
    path = f"{path}.extension.example.trivet.advisories"
    if not isinstance(advisories, list):
        return [f"F-10 {path}: no array"]
    faults = [
        f"F-10 {path}[{index}]: code, indicator and role are required"
        for index, a in enumerate(advisories)
        if not (
            isinstance(a, dict) and _text(a.get("code")) and a.get("indicator") in INDICATORS and a.get("role") in ROLES
        )
    ]
    leads = [a.get("code") for a in advisories if isinstance(a, dict) and a.get("role") == "lead"]
    source = card.get("source")
    topic = source.get("topic") if isinstance(source, dict) else None
    code = topic.get("code") if isinstance(topic, dict) else None
    folded = all(isinstance(a, dict) and a.get("role") == "folded" for a in advisories)
    if folded and code in [a.get("code") for a in advisories]:
        return faults  # the further-points card: nothing leads, the topic is the first point
    if len(leads) != 1 or code != leads[0]:
        faults.append(f"F-10 {path}: the topic {code!r} is not the one lead among {leads}")
    return faults


# ----------------------------------------------------------------------------------------------------- I. errors


def check_error(status: int, body: bytes, private: Iterable[str] = ()) -> list[str]:
    """CH-86 and CH-87: an OperationOutcome with severity and code, that leaks neither the inner works nor any text of `private`."""
    faults = leaks(body, private)
    try:
        outcome = strict_json(body)
    except ValueError as error:
        return [*faults, f"CH-86 status {status}: {error}"]
    if not isinstance(outcome, dict) or outcome.get("resourceType") != "OperationOutcome" or not outcome.get("issue"):
        return [*faults, f"CH-86 status {status}: no OperationOutcome"]
    return faults + [fault.replace("CH-04", "CH-86") for fault in check_resource(outcome, "outcome")]


def leaks(body: bytes, private: Iterable[str] = ()) -> list[str]:
    """CH-87: stack traces, file paths and private texts that stand in a body."""
    text = body.decode("utf-8", "replace")
    found = [match.group() for match in [_LEAK.search(text)] if match]
    return [f"CH-87 body: shows {what!r}" for what in found + [secret for secret in private if secret in text]]


# ------------------------------------------------------------------------------------------------------- comparing


def advisory_codes(body: Json) -> set[str]:
    """Codes of all advisories that the cards carry, from the extension, and of the topics."""
    codes: set[str] = set()
    for card in body.get("cards", []):
        codes.add(card.get("source", {}).get("topic", {}).get("code", ""))
        codes |= {
            advisory.get("code", "") for advisory in card.get("extension", {}).get("example.trivet.advisories", [])
        }
    return codes - {""}


def without_uuids(body: Json) -> Json:
    """The same body with every uuid member blanked, so that two answers can be compared (CH-85)."""
    if isinstance(body, dict):
        return {name: "uuid" if name == "uuid" else without_uuids(child) for name, child in body.items()}
    if isinstance(body, list):
        return [without_uuids(child) for child in body]
    return body


# ------------------------------------------------------------------------------------------------------ small parts


def _unknown_members(holder: dict[str, Json], kind: str, path: str) -> list[str]:
    """CH-84: the published members only."""
    return [f"CH-84 {path}.{name}: not a member of {kind}" for name in sorted(holder.keys() - _MEMBERS[kind])]


def _list(holder: dict[str, Json], name: str, clause: str, path: str, faults: list[str]) -> list[Json]:
    value = holder.get(name, [])
    if isinstance(value, list):
        return value
    faults.append(f"{clause} {path}.{name}: no array")
    return []


def _text(value: Json) -> TypeGuard[str]:
    return isinstance(value, str) and bool(value.strip())


def _reference(value: Json) -> bool:
    return isinstance(value, str) and _REFERENCE.fullmatch(value) is not None


def _absolute(value: Json) -> bool:
    return isinstance(value, str) and bool(urlsplit(value).scheme) and bool(urlsplit(value).netloc)
