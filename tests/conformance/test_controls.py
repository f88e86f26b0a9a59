"""The checkers can fail: an answer without fault passes each of them, and each deliberate fault is found under its clause."""

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.conformance import checks, probes, probes_feedback
from tests.conformance.fake_service import LISTED_ORIGIN, FakeService, discovery_document, good_answer
from tests.conformance.requests import changed, small_request
from tests.conformance.service import Service

Json = Any
PROBES = probes.PROBES | probes_feedback.PROBES


def put(path: str, value: Json) -> Callable[[Json], None]:
    """A change: the member at `path` ("cards.0.summary") gets this value."""

    def change(body: Json) -> None:
        *parents, last = path.split(".")
        for name in parents:
            body = body[int(name) if isinstance(body, list) else name]
        body[int(last) if isinstance(body, list) else last] = value

    return change


def drop(path: str) -> Callable[[Json], None]:
    """A change: the member at `path` goes."""

    def change(body: Json) -> None:
        *parents, last = path.split(".")
        for name in parents:
            body = body[int(name) if isinstance(body, list) else name]
        del body[last]

    return change


CARD = "cards.0"
SUGGESTION = "cards.0.suggestions.0"
ANSWER_FAULTS: list[tuple[str, str, Callable[[Json], None]]] = [
    ("CH-02", "null", put(f"{CARD}.detail", None)),
    ("CH-02", "empty list", put(f"{CARD}.links", [])),
    ("CH-02", "empty object in an extension", put(f"{CARD}.extension", {"a.b": {}})),
    ("CH-04", "no R4", put(f"{SUGGESTION}.actions.0.resource.status", ["draft"])),
    ("CH-04", "R5 member", put(f"{SUGGESTION}.actions.0.resource.medication", {"concept": {"text": "x"}})),
    ("CH-04", "text", put(f"{SUGGESTION}.actions.0.resource", "Patient/1")),
    ("CH-04", "unknown type", put(f"{SUGGESTION}.actions.0.resource.resourceType", "Horoscope")),
    ("CH-61", "missing", drop("cards")),
    ("CH-61", "null", put("cards", None)),
    ("CH-62", "140 characters", put(f"{CARD}.summary", "x" * 140)),
    ("CH-62", "empty", put(f"{CARD}.summary", " ")),
    ("CH-62", "two lines", put(f"{CARD}.summary", "a\nb")),
    ("CH-63", "hard-stop", put(f"{CARD}.indicator", "hard-stop")),
    ("CH-64", "no label", drop(f"{CARD}.source.label")),
    ("CH-64", "no source", drop(f"{CARD}.source")),
    ("CH-65", "relative url", put(f"{CARD}.source.url", "/x")),
    ("CH-65", "relative icon", put(f"{CARD}.source.icon", "icon.png")),
    ("CH-65", "patient in the url", put(f"{CARD}.source.url", "https://x.example/pat-conformance")),
    ("CH-66", "no system", drop(f"{CARD}.source.topic.system")),
    ("CH-66", "text", put(f"{CARD}.source.topic", "potassium")),
    ("CH-67", "script", put(f"{CARD}.detail", "a <script>x</script>")),
    ("CH-67", "line break tag", put(f"{CARD}.detail", "a <br/> b")),
    ("CH-67", "image", put(f"{CARD}.detail", "![x](https://x.example/y.png)")),
    ("CH-67", "list", put(f"{CARD}.detail", ["x"])),
    ("CH-68", "missing", drop(f"{CARD}.uuid")),
    ("CH-68", "urn", put(f"{CARD}.uuid", "urn:uuid:0b9d7b0c-7b0e-4f0e-8f55-3f6f3f9c3a10")),
    ("CH-68", "twice", lambda body: body["cards"].append(copy.deepcopy(body["cards"][0]))),
    ("CH-69", "missing", drop(f"{CARD}.selectionBehavior")),
    ("CH-70", "all", put(f"{CARD}.selectionBehavior", "all")),
    ("CH-71", "two recommended", put(f"{CARD}.suggestions.1.isRecommended", True)),
    ("CH-72", "no label", drop(f"{SUGGESTION}.label")),
    ("CH-72", "no uuid", drop(f"{SUGGESTION}.uuid")),
    ("CH-72", "yes", put(f"{SUGGESTION}.isRecommended", "yes")),
    ("CH-73", "Create", put(f"{SUGGESTION}.actions.0.type", "Create")),
    ("CH-73", "no description", drop(f"{SUGGESTION}.actions.0.description")),
    ("CH-74", "no resource", drop(f"{SUGGESTION}.actions.0.resource")),
    ("CH-75", "no id", drop(f"{SUGGESTION}.actions.1.resource.id")),
    ("CH-76", "bare id", put(f"{CARD}.suggestions.1.actions.0.resourceId", "draft-insulin")),
    ("CH-76", "resource", put(f"{CARD}.suggestions.1.actions.0.resource", {"resourceType": "Patient"})),
    ("CH-77", "all", put(f"{SUGGESTION}.actionSelectionBehavior", "all")),
    ("CH-78", "no display", drop(f"{CARD}.overrideReasons.0.display")),
    ("CH-79", "no type", drop(f"{CARD}.links.0.type")),
    ("CH-79", "relative", put(f"{CARD}.links.0.url", "/x")),
    ("CH-80", "absolute with context", put(f"{CARD}.links.0.appContext", "x")),
    ("CH-81", "critical", put(f"{CARD}.links.1.autolaunchable", True)),
    ("CH-82", "object", put("systemActions", {"type": "create"})),
    ("CH-82", "empty", put("systemActions", [])),
    ("CH-83", "list", put(f"{CARD}.extension", [{"url": "x"}])),
    ("CH-83", "short name", put(f"{CARD}.extension.flip", "x")),
    ("CH-84", "card", put(f"{CARD}.severity", "high")),
    ("CH-84", "source", put(f"{CARD}.source.version", "1")),
    ("CH-84", "top", put("meta", "x")),
    ("F-10", "missing", drop(f"{CARD}.extension")),
    ("F-10", "other topic", put(f"{CARD}.source.topic.code", "other")),
    (
        "F-10",
        "unknown role",
        lambda body: body["cards"][0]["extension"]["example.trivet.advisories"][0].update(role="boss"),
    ),
]

SERVICE = "services.0"
DISCOVERY_FAULTS: list[tuple[str, str, Callable[[Json], None]]] = [
    ("CH-02", "null", put(f"{SERVICE}.title", None)),
    ("CH-06", "missing", drop("services")),
    ("CH-06", "text", put(SERVICE, "x")),
    ("CH-07", "missing", drop(f"{SERVICE}.hook")),
    ("CH-08", "slash", put(f"{SERVICE}.id", "a/b")),
    ("CH-08", "space", put(f"{SERVICE}.id", "a b")),
    ("CH-09", "missing", drop(f"{SERVICE}.description")),
    ("CH-10", "missing", drop(f"{SERVICE}.title")),
    ("CH-11", "list", put(f"{SERVICE}.prefetch", ["Patient/1"])),
    ("CH-11", "number", put(f"{SERVICE}.prefetch.patient", 7)),
    ("CH-12", "list", put(f"{SERVICE}.usageRequirements", ["R4"])),
    ("CH-13", "no semver", put(f"{SERVICE}.version", "STU2")),
    ("CH-14", "other", put(f"{SERVICE}.hookVersion", "9.9")),
    ("CH-15", "twice", lambda body: body["services"].append(copy.deepcopy(body["services"][0]))),
    ("CH-16", "deprecated", put(f"{SERVICE}.hook", "order-review")),
    ("CH-16", "private without a dot", put(f"{SERVICE}.hook", "ward-round")),
    ("CH-17", "expression", put(f"{SERVICE}.prefetch.patient", "Patient/{{today() - 5}}")),
    ("CH-17", "open brace", put(f"{SERVICE}.prefetch.patient", "Patient/{{context.patientId")),
    ("CH-18", "drafts", put(f"{SERVICE}.prefetch.patient", "Patient/{{context.draftOrders}}")),
    ("CH-19", "absolute", put(f"{SERVICE}.prefetch.patient", "https://x.example/Patient/{{context.patientId}}")),
    ("CH-19", "leading slash", put(f"{SERVICE}.prefetch.patient", "/Patient/{{context.patientId}}")),
    ("CH-19", "operation", put(f"{SERVICE}.prefetch.patient", "Patient/{{context.patientId}}/$everything")),
    ("CH-20", "chained", put(f"{SERVICE}.prefetch.patient", "Observation?patient.name=x")),
    ("CH-20", "include", put(f"{SERVICE}.prefetch.patient", "Observation?patient=x&_include=a:b")),
    ("CH-20", "sort of the text", put(f"{SERVICE}.prefetch.patient", "Observation?patient=x&sort:desc=date")),
    ("CH-21", "other key", put(f"{SERVICE}.prefetch.patient", "Practitioner/%user")),
    ("CH-84", "invented", put(f"{SERVICE}.owner", "x")),
]


def found(faults: list[str], clause: str) -> bool:
    return any(fault.startswith(clause) for fault in faults)


def test_an_answer_without_fault_passes() -> None:
    assert checks.check_response(good_answer(), "pat-conformance") == []
    assert checks.check_response({"cards": []}) == []


@pytest.mark.parametrize(("clause", "name", "change"), ANSWER_FAULTS, ids=[f"{c}-{n}" for c, n, _ in ANSWER_FAULTS])
def test_control_ch_61_to_ch_84_answers(clause: str, name: str, change: Callable[[Json], None]) -> None:
    body = good_answer()
    change(body)
    assert found(checks.check_response(body, "pat-conformance"), clause)


def test_a_discovery_document_without_fault_passes() -> None:
    assert checks.check_discovery(discovery_document()) == []


@pytest.mark.parametrize(
    ("clause", "name", "change"), DISCOVERY_FAULTS, ids=[f"{c}-{n}" for c, n, _ in DISCOVERY_FAULTS]
)
def test_control_ch_06_to_ch_21_discovery(clause: str, name: str, change: Callable[[Json], None]) -> None:
    body = discovery_document()
    change(body)
    assert found(checks.check_discovery(body), clause)


@pytest.mark.parametrize(
    "body", [b"{", b"", b'{"a": NaN}', b'{"a": 1} x', b'{"a": 1, "a": 2}', b'{"a": "\xff"}', b"// x\n{}"]
)
def test_control_ch_01_json(body: bytes) -> None:
    assert checks.check_json_body(b'{"a": 1}', "application/json") == []
    assert found(checks.check_json_body(body, "application/json"), "CH-01")
    assert found(checks.check_json_body(b"{}", "text/html"), "CH-01")


def test_control_ch_75_updates() -> None:
    draft = {
        "resourceType": "MedicationRequest",
        "id": "d",
        "subject": {"reference": "Patient/p"},
        "note": [{"text": "x"}],
    }
    drafts = {"entry": [{"resource": draft}]}

    def update(resource: Json) -> list[str]:
        return checks.check_updates({"cards": [{"actions": [{"type": "update", "resource": resource}]}]}, drafts)

    assert update(draft | {"status": "draft"}) == []
    assert found(update({name: value for name, value in draft.items() if name != "note"}), "CH-75")
    assert found(update(draft | {"id": "other"}), "CH-75")
    assert found(update(draft | {"subject": {"reference": "Patient/q"}}), "CH-75")


@pytest.mark.parametrize(
    "body",
    [
        b'{"detail": "Not Found"}',
        b"Internal Server Error",
        b'{"resourceType": "OperationOutcome"}',
        b'{"resourceType": "OperationOutcome", "issue": [{"diagnostics": "x"}]}',
    ],
)
def test_control_ch_86_errors(body: bytes) -> None:
    assert found(checks.check_error(400, body), "CH-86")


@pytest.mark.parametrize(
    "text", ["Traceback (most recent call last)", "cds/service/app.py", "/home/x", "secret-1", "site-packages"]
)
def test_control_ch_87_leaks(text: str) -> None:
    body = f'{{"resourceType": "OperationOutcome", "issue": [{{"severity": "error", "code": "x", "diagnostics": "{text}"}}]}}'
    assert checks.leaks(b'{"diagnostics": "context.patientId is missing"}', ["secret-1"]) == []
    assert found(checks.check_error(400, body.encode(), ["secret-1"]), "CH-87")


def test_control_ch_68_repeated_uuids() -> None:
    body = good_answer()
    assert checks.repeated_uuids([body, good_answer()]) == []
    assert found(checks.repeated_uuids([body, body]), "CH-68")


# ------------------------------------------------------------------------------------------------------------ probes


@pytest.fixture(autouse=True)
def small_requests_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fake does not read the shipped scenarios."""
    for module in (probes, probes_feedback):
        monkeypatch.setattr(module, "lead_request", lambda: small_request("order-sign"))
    monkeypatch.setattr(probes, "all_requests", lambda: {"small": small_request("order-sign")})


# The deliberately wrong service that each probe must find out; "crash" where it is not listed.
WRONG = {
    "ch_22": "silent",
    "ch_25": "moody",
    "ch_26": "silent",
    "ch_29": "moody",
    "ch_31": "silent",
    "ch_32": "silent",
    "ch_33": "silent",
    "ch_34": "silent",
    "ch_37": "silent",
    "ch_38": "silent",
    "ch_39": "silent",
    "ch_40": "silent",
    "ch_41": "moody",
    "ch_42": "silent",
    "ch_43": "silent",
    "ch_46": "silent",
    "ch_47": "silent",
    "ch_49": "silent",
    "ch_50": "silent",
    "ch_52": "moody",
    "ch_53": "silent",
    "ch_54": "silent",
    "ch_55": "silent",
    "ch_56": "silent",
    "ch_57": "wander",
    "ch_59": "echo",
    "ch_68": "same-uuid",
    "ch_85": "moody",
    "ch_86": "refuse",
    "ch_87": "echo",
    "ch_88": "crash",
    "ch_89": "refuse",
    "ch_90": "silent",
    "ch_91": "silent",
    "ch_92": "silent",
    "ch_93": "silent",
    "ch_94": "refuse",
    "ch_95": "any-origin",
    "ch_96": "refuse",
}


@pytest.mark.parametrize("name", PROBES)
def test_a_service_without_fault_passes(name: str) -> None:
    assert PROBES[name](FakeService().service()) == []


@pytest.mark.parametrize("name", [name for name in PROBES if not name.startswith("ch_88")])
def test_control_ch_22_to_ch_96_probes(name: str) -> None:
    assert PROBES[name](FakeService(WRONG.get(name[:5], "crash")).service())


def test_control_ch_88_slow(monkeypatch: pytest.MonkeyPatch) -> None:
    ticks = iter(range(100_000))
    monkeypatch.setattr("time.perf_counter", lambda: float(next(ticks)))
    assert probes_feedback.ch_88_about_half_a_second(FakeService().service())


def test_control_ch_23_slow() -> None:
    assert probes.ch_23_fhir_server_down(FakeService("slow").service())


def test_control_ch_59_token_in_a_file(tmp_path: Path) -> None:
    """A service that writes what it is sent is found out, also where the token stands escaped."""
    fake = FakeService()

    def writes(request: httpx.Request) -> httpx.Response:
        (tmp_path / f"record-{fake.count}").write_bytes(request.content)
        return fake.handle(request)

    client = httpx.Client(transport=httpx.MockTransport(writes), base_url="http://fake.example")
    assert len(probes.ch_59_token_is_transient(Service(client, tmp_path))) == 6


def test_control_ch_95_listed_origin() -> None:
    assert probes_feedback.cors_for_listed_origin(FakeService("listed-origin").service(), LISTED_ORIGIN) == []
    assert probes_feedback.cors_for_listed_origin(FakeService("any-origin").service(), LISTED_ORIGIN)
    assert probes_feedback.cors_for_listed_origin(FakeService().service(), LISTED_ORIGIN)


def test_changes_leave_the_request_alone() -> None:
    base = small_request("order-sign")
    before = copy.deepcopy(base)
    assert changed(base, "prefetch.patient.id", "x")["prefetch"]["patient"]["id"] == "x"
    assert base == before
