"""Errors, time, feedback and browsers: group I of the clauses, as probes (see probes.py)."""

import copy
import re
import statistics
import time
import uuid
from typing import Any

import httpx

from tests.conformance import checks
from tests.conformance.probes import MALFORMED, TOKEN, Probe, authorized
from tests.conformance.requests import FAMILY_NAME, HOOKS, PATIENT, changed, lead_request, small_request, without
from tests.conformance.service import Service

Json = Any

FEEDBACK_TIME = "2026-03-14T09:31:00Z"
REASON = {"system": "https://trivet.example/fhir/CodeSystem/override-reason", "code": "other"}


# ------------------------------------------------------------------------------------------------------- errors, time


def error_answers(service: Service) -> list[tuple[str, httpx.Response]]:
    """One answer of every kind of refusal."""
    base = small_request("order-sign")
    answers = [(repr(body), service.call(body)) for body in MALFORMED]
    lacking = ("hook", "hookInstance", "context", "context.patientId", "context.userId", "context.draftOrders")
    answers += [(f"no {member}", service.call(without(base, member), "trivet-order-sign")) for member in lacking]
    alone = without(authorized(base, "http://127.0.0.1:9/fhir"), "fhirServer")
    return [
        *answers,
        ("fhirAuthorization alone", service.call(alone)),
        ("context text", service.call(changed(base, "context", FAMILY_NAME))),
        ("patientId list", service.call(changed(base, "context.patientId", [PATIENT]))),
        ("wrong hook", service.call(small_request("patient-view"), "trivet-order-sign")),
        ("unknown service", service.call(base, "no-such-service-0")),
        ("wrong method", service.client.get("/cds-services/trivet-order-sign")),
        ("unknown address", service.client.get("/no-such-address-0")),
        ("bad feedback", service.feedback({"feedback": [{"card": FAMILY_NAME}]})),
        ("feedback, unknown service", service.feedback({"feedback": [overridden()]}, "no-such-service-0")),
    ]


def ch_86_operation_outcome_on_errors(service: Service) -> list[str]:
    """Every refusal carries an OperationOutcome."""
    faults = []
    for name, response in error_answers(service):
        found = checks.check_error(response.status_code, response.content)
        found += checks.check_json_body(response.content, response.headers.get("content-type", ""))
        if not 400 <= response.status_code < 500:
            found.append(f"status {response.status_code}")
        faults += [f"{name}: {fault}" for fault in found if not fault.startswith("CH-87")]
    return faults


def ch_87_errors_leak_nothing(service: Service) -> list[str]:
    """No refusal shows the inner works, the token or the patient."""
    return [
        f"{name}: {fault}"
        for name, response in error_answers(service)
        for fault in checks.leaks(response.content, (TOKEN, PATIENT, FAMILY_NAME))
    ]


def ch_88_about_half_a_second(service: Service) -> list[str]:
    """Twenty calls for each hook and for the lead scenario: the median stays below 500 ms."""
    faults = []
    for name, request in [*((hook, small_request(hook)) for hook in HOOKS), ("lead", lead_request())]:
        taken = []
        for _ in range(20):
            start = time.perf_counter()
            service.call(request)
            taken.append(1000 * (time.perf_counter() - start))
        if statistics.median(taken) > 500:
            faults.append(f"{name}: median {statistics.median(taken):.0f} ms, slowest {max(taken):.0f} ms")
    return faults


# ------------------------------------------------------------------------------------------------------------ feedback


def overridden(card: str | None = None, **members: Json) -> Json:
    """One entry of feedback that overrides a card."""
    return {"card": card or str(uuid.uuid4()), "outcome": "overridden", "outcomeTimestamp": FEEDBACK_TIME} | members


def accepted(card: str | None = None, suggestion: str | None = None) -> Json:
    """One entry of feedback that accepts a suggestion."""
    return {
        "card": card or str(uuid.uuid4()),
        "outcome": "accepted",
        "acceptedSuggestions": [{"id": suggestion or str(uuid.uuid4())}],
        "outcomeTimestamp": FEEDBACK_TIME,
    }


def _taken(service: Service, rows: list[tuple[str, Json]]) -> list[str]:
    statuses = [(name, service.feedback(body).status_code) for name, body in rows]
    return [f"{name}: status {status}" for name, status in statuses if status != 200]


def _not_taken(service: Service, rows: list[tuple[str, Json]]) -> list[str]:
    statuses = [(name, service.feedback(body).status_code) for name, body in rows]
    return [f"{name}: status {status}" for name, status in statuses if not 400 <= status < 500]


def _one(entry: Json) -> Json:
    return {"feedback": [entry]}


def ch_89_feedback_for_a_card_received(service: Service) -> list[str]:
    """Feedback for a card just received, and for a card that nobody knows, is taken; what is no feedback is refused."""
    try:
        cards = service.call(small_request("order-sign")).json()["cards"]
        known = cards[0]["uuid"]
    except (ValueError, LookupError, TypeError):
        return ["no card to give feedback on"]
    suggestions = [(card["uuid"], s["uuid"]) for card in cards for s in card.get("suggestions", [])]
    good = [("known card", _one(overridden(known))), ("unknown card", _one(overridden()))]
    good += [(f"suggestion {index}", _one(accepted(*pair))) for index, pair in enumerate(suggestions)]
    bad: list[tuple[str, Json]] = [
        ("list", [overridden()]),
        ("no array", {"feedback": overridden()}),
        ("empty object", {}),
    ]
    return _taken(service, good) + _not_taken(service, [*bad, ("text", "x"), ("null", {"feedback": None})])


def ch_90_feedback_accepted(service: Service) -> list[str]:
    """`accepted` needs acceptedSuggestions, each with an id."""
    good = accepted()
    lists: list[Json] = [[], [{}], [{"id": None}], [{"id": 7}], "x", None]
    bad = [(f"acceptedSuggestions {value!r}", _one(good | {"acceptedSuggestions": value})) for value in lists]
    bad.append(("none", _one({name: value for name, value in good.items() if name != "acceptedSuggestions"})))
    return _taken(service, [("accepted", _one(good))]) + _not_taken(service, bad)


def ch_91_feedback_outcome_values(service: Service) -> list[str]:
    """`accepted` and `overridden` only."""
    values: list[Json] = ["ignored", "Accepted", "", None, 7]
    bad = [(f"outcome {value!r}", _one(overridden(outcome=value))) for value in values]
    return _taken(service, [("overridden", _one(overridden()))]) + _not_taken(service, bad)


def ch_92_feedback_override_reason(service: Service) -> list[str]:
    """No reason, a Coding, a comment, or both; an empty overrideReason is refused."""
    reasons: list[tuple[str, Json]] = [
        ("reason", {"reason": REASON}),
        ("comment", {"userComment": "dialysis is running"}),
        ("both", {"reason": REASON | {"display": "Other"}, "userComment": "see notes"}),
    ]
    good = [("none", _one(overridden()))] + [(name, _one(overridden(overrideReason=value))) for name, value in reasons]
    empty: list[Json] = [{}, "x", {"reason": {}}]
    bad = [(f"overrideReason {value!r}", _one(overridden(overrideReason=value))) for value in empty]
    return _taken(service, good) + _not_taken(service, bad)


def ch_93_feedback_required_members(service: Service) -> list[str]:
    """card and outcomeTimestamp are required; the time is RFC 3339 with a zone."""
    good = overridden()
    bad = [
        (f"no {name}", _one({key: value for key, value in good.items() if key != name}))
        for name in ("card", "outcome", "outcomeTimestamp")
    ]
    times: list[Json] = ["yesterday", "2026-03-14", "2026-03-14T09:31:00", "", 1773480660, None]
    bad += [(f"time {value!r}", _one(overridden(outcomeTimestamp=value))) for value in times]
    bad += [(f"card {value!r}", _one(good | {"card": value})) for value in ("", 7, None)]
    stamps = ("2026-03-14T09:31:00.123Z", "2026-03-14T10:31:00+01:00")
    return _taken(service, [(t, _one(overridden(outcomeTimestamp=t))) for t in stamps]) + _not_taken(service, bad)


def ch_94_repeated_and_batched_feedback(service: Service) -> list[str]:
    """Several entries in one post, the same entry twice and a change of mind are normal; unknown members are tolerated."""
    card = str(uuid.uuid4())
    entry = overridden(card)
    return _taken(
        service,
        [
            ("two entries", {"feedback": [overridden(), accepted()]}),
            ("first", _one(entry)),
            ("again", _one(copy.deepcopy(entry))),
            ("the same twice in one post", {"feedback": [entry, entry]}),
            ("change of mind", _one(accepted(card))),
            ("extension", _one(overridden(extension={"org.example.x": 1}))),
        ],
    )


# ------------------------------------------------------------------------------------------------------------ browsers


def preflight(service: Service, origin: str) -> httpx.Response:
    """What a browser asks before it posts a request with a token from a page of `origin`."""
    return service.client.options(
        "/cds-services/trivet-order-sign",
        headers={
            "Origin": origin,
            "Access-Control-Request-Method": "POST",
            "Access-Control-Request-Headers": "authorization,content-type",
        },
    )


def ch_95_cors_off(service: Service) -> list[str]:
    """No origin is listed: none is allowed."""
    faults = []
    for origin in ("https://strange.example", "null"):
        answers = (preflight(service, origin), service.client.get("/cds-services", headers={"Origin": origin}))
        faults += [f"{origin}: allowed" for answer in answers if "access-control-allow-origin" in answer.headers]
    return faults


def cors_for_listed_origin(service: Service, origin: str) -> list[str]:
    """CH-95 where one origin is listed: it may post with a token; another may not; never a wildcard together with credentials."""
    faults = []
    answer = preflight(service, origin)
    allowed = answer.headers.get("access-control-allow-origin")
    if allowed != origin:
        faults.append(f"{origin}: access-control-allow-origin is {allowed!r}")
    if "POST" not in answer.headers.get("access-control-allow-methods", ""):
        faults.append(f"{origin}: POST is not allowed")
    for name in ("authorization", "content-type"):
        if name not in answer.headers.get("access-control-allow-headers", "").lower():
            faults.append(f"{origin}: the header {name} is not allowed")
    for strange in ("https://strange.example", f"{origin}.strange.example", "null"):
        seen = preflight(service, strange).headers.get("access-control-allow-origin")
        if seen in (strange, "*"):
            faults.append(f"{strange}: allowed")
    return faults


PROBES: dict[str, Probe] = {
    name: probe for name, probe in sorted(globals().items()) if re.match(r"ch_\d\d", name) and callable(probe)
}
