"""No request whatever gives a 5xx or a body that is no JSON (HZ-51).

The lead request is damaged in every way that hypothesis can think of and posted to the application in this process; then the
OpenAPI document of the running service drives requests of its own. A control shows that an application which does fall over is
found out.
"""

import asyncio
import copy
import importlib
import json
import os
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import quote

import httpx
import pytest
import schemathesis
from fastapi import FastAPI
from fastapi.responses import JSONResponse
from hypothesis import HealthCheck, example, given, note, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import content_type_conformance

from tests.conformance.checks import strict_json
from tests.conformance.conftest import NOT_BUILT
from tests.conformance.requests import lead_request, small_request
from tests.service_process import service_is_built

Json = Any
Path_ = tuple[str | int, ...]
Asgi = Callable[..., Awaitable[None]]

ADDRESS = "/cds-services/trivet-order-sign"
FEEDBACK = {
    "feedback": [
        {
            "card": "5f3c1c26-8a3d-4c0d-9d4e-1c1f0b2f7a10",
            "outcome": "overridden",
            "outcomeTimestamp": "2026-03-14T09:31:00Z",
            "overrideReason": {"reason": {"system": "https://trivet.example/x", "code": "other"}, "userComment": "x"},
        }
    ]
}


# --------------------------------------------------------------------------------------------- the application here


class InProcess:
    """An ASGI application with its lifespan, spoken to from plain functions."""

    def __init__(self, app: Asgi) -> None:
        self._loop = asyncio.new_event_loop()
        self._inbox: asyncio.Queue[Json] = asyncio.Queue()
        self._outbox: asyncio.Queue[Json] = asyncio.Queue()
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        self._client = httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1")
        self._lifespan = self._loop.create_task(self._live(app))
        self._tell("startup")

    async def _live(self, app: Asgi) -> None:
        try:
            await app({"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}, self._inbox.get, self._outbox.put)
        except Exception as error:  # noqa: BLE001 - whatever start-up raises is reported as a failed start
            await self._outbox.put({"type": "lifespan.failed", "message": repr(error)})

    def _tell(self, phase: str) -> None:
        async def exchange() -> Json:
            await self._inbox.put({"type": f"lifespan.{phase}"})
            return await asyncio.wait_for(self._outbox.get(), 30)

        reply = self._loop.run_until_complete(exchange())
        if reply["type"] != f"lifespan.{phase}.complete":
            raise RuntimeError(f"lifespan {phase}: {reply}")

    def post(self, body: bytes, path: str = ADDRESS, content_type: str = "application/json") -> httpx.Response:
        """What the application answers to these bytes."""
        headers = {"Content-Type": content_type}
        return self._loop.run_until_complete(self._client.post(path, content=body, headers=headers))

    def close(self) -> None:
        """Shut the application down."""
        self._tell("shutdown")
        self._loop.run_until_complete(self._client.aclose())
        self._loop.run_until_complete(self._lifespan)
        self._loop.close()


@contextmanager
def application(data_dir: Path) -> Iterator[InProcess]:
    """The service's own application with an empty data directory."""
    if not service_is_built():
        pytest.skip(NOT_BUILT)
    create_app = importlib.import_module("cds.service.app").create_app
    read_settings = importlib.import_module("cds.service.settings").Settings
    environment = {name: value for name, value in os.environ.items() if not name.startswith("TRIVET_")}
    with patch.dict(os.environ, environment | {"TRIVET_DATA": str(data_dir)}, clear=True):
        served = InProcess(create_app(read_settings()))
        try:
            yield served
        finally:
            served.close()


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InProcess]:
    """One application for all tests of this module."""
    with application(tmp_path_factory.mktemp("in-process")) as served:
        yield served


def stands(response: httpx.Response) -> None:
    """The answer is below 500 and its body is one JSON value; a 200 has cards or is for feedback."""
    assert response.status_code < 500, response.text[:500]
    if response.content or not response.url.path.endswith("/feedback"):
        strict_json(response.content)


# ---------------------------------------------------------------------------------------------------------- damage


def paths(value: Json, here: Path_ = ()) -> Iterator[Path_]:
    """Every place in a JSON value but its root."""
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, child in children:
        yield (*here, name)
        yield from paths(child, (*here, name))


def holder_of(body: Json, path: Path_) -> tuple[Json, str | int]:
    for name in path[:-1]:
        body = body[name]
    return body, path[-1]


LEAD = lead_request()
SMALL = small_request("order-sign")
# Places of the small request are as likely as all the places of the lead request together: they are the dense ones.
PLACES = st.sampled_from([SMALL, LEAD]).flatmap(
    lambda base: st.tuples(st.just(base), st.sampled_from(list(paths(base))))
)

NUMBERS = st.sampled_from(
    [0, -1, -0.0, 1e308, -1e308, 1e-320, 2**63, 2**64, 10**400, 10**4000, 0.1 + 0.2, 1e22, 12345678901234567890.5]
)
TEXTS = st.one_of(
    st.sampled_from(
        [
            "",
            " ",
            "\x00",
            "\ud800",
            "0000-00-00",
            "9999-12-31T23:59:59.999999999+14:00",
            "0001-01-01T00:00:00+14:00",
            "2026-03-14T09:20:00",
            "2026-03-14T24:00:00Z",
            "-1e9999",
            "NaN",
            "Patient/",
            "#",
            "#bag",
            "Patient/../../x",
            "http://[",
            "[iU]/h",
            "mmol/L/",
            "x" * 70_000,
            "{{context.patientId}}",
            "٣",
            "\u202e",
        ]
    ),
    st.text(max_size=20),
)
WRONG_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    NUMBERS,
    TEXTS,
    st.sampled_from([[], {}, [None], [[]], {"resourceType": None}, {"resourceType": "Bundle", "entry": {}}, [{}] * 50]),
    st.recursive(
        st.one_of(st.none(), st.integers(), st.text(max_size=3)),
        lambda inner: st.lists(inner, max_size=3),
        max_leaves=6,
    ),
)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A request with one to four places deleted, replaced, doubled or swapped."""
    base, first = draw(PLACES)
    body = copy.deepcopy(base)
    for path in [first, *draw(st.lists(st.sampled_from(list(paths(base))), max_size=3))]:
        try:
            holder, name = holder_of(body, path)
            old = holder[name]
        except (LookupError, TypeError):
            continue  # an earlier change took this place away
        change = draw(st.sampled_from(["delete", "replace", "wrap", "double", "rename"]))
        note(f"{change} {path}")
        match change:
            case "delete":
                del holder[name]
            case "replace":
                holder[name] = draw(WRONG_VALUES)
            case "wrap":
                holder[name] = draw(st.sampled_from([[old], {"value": old}, [old, old], [None, old]]))
            case "double" if isinstance(holder, list):
                holder.extend([copy.deepcopy(old)] * draw(st.integers(1, 20)))
            case "rename" if isinstance(holder, dict):
                holder[draw(st.sampled_from(["extension", "_id", "resourceType", "contained", "x", ""]))] = holder.pop(
                    name
                )
    return json.dumps(body).encode()


@st.composite
def broken_bytes(draw: st.DrawFn) -> bytes:
    """The bytes of a request cut short, with bytes put in, taken out or overwritten."""
    body = bytearray(json.dumps(SMALL).encode())
    at = draw(st.integers(0, len(body) - 1))
    junk = draw(
        st.one_of(st.binary(max_size=8), st.sampled_from([b"\xff", b"\xc3", b"\xed\xa0\x80", b"\x00", b"\xef\xbb\xbf"]))
    )
    match draw(st.sampled_from(["cut", "insert", "overwrite", "prefix", "repeat"])):
        case "cut":
            del body[at:]
        case "insert":
            body[at:at] = junk
        case "overwrite":
            body[at : at + len(junk)] = junk
        case "prefix":
            body[:0] = junk
        case _:
            body += body[at:]
    return bytes(body)


QUICK = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))


def test_the_undamaged_requests_are_answered(app: InProcess) -> None:
    """Otherwise every damage would be refused at the door, and nothing be tried."""
    assert [app.post(json.dumps(body).encode()).status_code for body in (SMALL, LEAD)] == [200, 200]


@QUICK
@given(body=damaged())
def test_hz_51_damaged_request(app: InProcess, body: bytes) -> None:
    note(repr(body[-500:]))
    stands(app.post(body))


@QUICK
@given(body=broken_bytes())
@example(body=b"\xff\xfe{\x00}\x00")
@example(body=b"\x00" * 1000)
def test_hz_51_broken_bytes(app: InProcess, body: bytes) -> None:
    note(repr(body[-500:]))
    stands(app.post(body))


def deep(opening: str, closing: str, levels: int = 100_000) -> str:
    return opening * levels + "1" + closing * levels


HOSTILE = {
    "deep lists": deep("[", "]"),
    "deep objects": deep('{"a":', "}"),
    "deep and open": "[" * 100_000,
    "deep in a member": json.dumps(SMALL)[:-1] + ', "zz": ' + deep("[", "]", 900) + "}",
    "deep in a resource": json.dumps(SMALL).replace(
        '"birthDate": "1964-05-02"', '"zz": ' + deep('{"extension":[', "]}", 400)
    ),
    "long number": json.dumps(SMALL).replace("3.1", "3." + "1" * 100_000),
    "huge exponent": json.dumps(SMALL).replace("3.1", "1e999999999"),
    "tiny exponent": json.dumps(SMALL).replace("3.1", "1e-999999999"),
    "long integer": json.dumps(SMALL).replace("3.1", "9" * 100_000),
    "NaN": json.dumps(SMALL).replace("3.1", "NaN"),
    "negative zero": json.dumps(SMALL).replace("3.1", "-0"),
    "lone surrogate": json.dumps(SMALL).replace("Quillfeather", "\\ud800"),
    "null character": json.dumps(SMALL).replace("Quillfeather", "\\u0000"),
    "member twice": json.dumps(SMALL).replace('"hook":', '"hook": "patient-view", "hook":'),
    "many members": json.dumps(SMALL | {f"m{n}": n for n in range(20_000)}),
    "many drafts": json.dumps(
        SMALL
        | {
            "context": SMALL["context"]
            | {
                "draftOrders": SMALL["context"]["draftOrders"]
                | {"entry": SMALL["context"]["draftOrders"]["entry"] * 150}
            }
        }
    ),
    "evaluation time text": json.dumps(SMALL).replace("2026-03-14T09:30:00Z", "tomorrow"),
    "evaluation time without zone": json.dumps(SMALL).replace("2026-03-14T09:30:00Z", "2026-03-14T09:30:00"),
    "evaluation time year 1": json.dumps(SMALL).replace("2026-03-14T09:30:00Z", "0001-01-01T00:00:00+14:00"),
    "evaluation time year 9999": json.dumps(SMALL).replace("2026-03-14T09:30:00Z", "9999-12-31T23:59:59-12:00"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hz_51_hostile_body(app: InProcess, name: str) -> None:
    stands(app.post(HOSTILE[name].encode()))


def test_hz_51_oversized_body(app: InProcess) -> None:
    """Beyond the largest body that the settings allow: 413, read or not."""
    response = app.post(json.dumps(SMALL).encode() + b" " * (9 * 1024 * 1024))
    stands(response)
    assert response.status_code == 413


@pytest.mark.parametrize("content_type", ["text/plain", "application/xml", "", "application/json; charset=utf-16", "x"])
def test_hz_51_other_content_types(app: InProcess, content_type: str) -> None:
    stands(app.post(json.dumps(SMALL).encode(), content_type=content_type))


@st.composite
def damaged_feedback(draw: st.DrawFn) -> Json:
    """Feedback with one or two places replaced, deleted or doubled."""
    body = copy.deepcopy(FEEDBACK)
    for path in draw(st.lists(st.sampled_from(list(paths(FEEDBACK))), min_size=1, max_size=2)):
        try:
            holder, name = holder_of(body, path)
            holder[name] = draw(WRONG_VALUES) if draw(st.booleans()) else [holder[name]] * 2
        except (LookupError, TypeError):
            continue
    return body


@QUICK
@given(body=st.one_of(damaged_feedback(), WRONG_VALUES))
@example(body=FEEDBACK)
def test_hz_51_damaged_feedback(app: InProcess, body: Json) -> None:
    note(repr(body))
    stands(app.post(json.dumps(body).encode(), path=f"{ADDRESS}/feedback"))


@QUICK
@given(name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=30).map(lambda text: quote(text, safe="")))
@example(name="..%2f..%2fetc%2fpasswd")
@example(name="trivet-order-sign%00")
def test_hz_51_any_address(app: InProcess, name: str) -> None:
    note(name)
    assert app.post(b"{}", path=f"/cds-services/{name}").status_code < 500


# --------------------------------------------------------------------------------------- the OpenAPI document drives


@pytest.fixture(scope="session")
def api_schema(service_url: str) -> Any:
    """The OpenAPI document of the running service."""
    return schemathesis.openapi.from_url(f"{service_url}/openapi.json")


def drive(operation: Any, examples: int) -> None:
    """Call one operation with what its own description allows and forbids."""

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy())
    def calls(case: Any) -> None:
        case.call_and_validate(checks=[not_a_server_error, content_type_conformance])

    calls()


def test_hz_51_openapi_requests(api_schema: Any) -> None:
    operations = [result.ok() for result in api_schema.get_all_operations()]
    posts = [operation for operation in operations if operation.method.upper() == "POST"]
    assert any(operation.path.startswith("/cds-services") for operation in posts)
    for operation in operations:
        drive(operation, 40 if operation in posts else 10)


# --------------------------------------------------------------------------------------------------------- controls


async def falls_over(scope: Json, receive: Any, send: Any) -> None:
    """An application that reads one member as if it were always there, and whose refusals are plain text."""
    if scope["type"] == "lifespan":
        for _ in range(2):
            message = await receive()
            await send({"type": f"{message['type']}.complete"})
        return
    body, more = b"", True
    while more:
        message = await receive()
        body, more = body + message.get("body", b""), message.get("more_body", False)
    try:
        status, text = 200, json.dumps({"cards": [], "hook": json.loads(body)["hook"]}).encode()
    except ValueError:
        status, text = 400, b"not JSON"
    await send({"type": "http.response.start", "status": status, "headers": [(b"content-type", b"application/json")]})
    await send({"type": "http.response.body", "body": text})


@pytest.fixture
def weak() -> Iterator[InProcess]:
    """The application that falls over, in place of the service."""
    served = InProcess(falls_over)
    yield served
    served.close()


def test_control_hz_51_a_weak_application_stands_undamaged(weak: InProcess) -> None:
    stands(weak.post(json.dumps(SMALL).encode()))


@pytest.mark.parametrize("body", [b"{}", b"[]", b"{", b"\xff", HOSTILE["deep lists"].encode()])
def test_control_hz_51_a_weak_application_is_found_out(weak: InProcess, body: bytes) -> None:
    with pytest.raises((AssertionError, ValueError)):
        stands(weak.post(body))


def test_control_hz_51_damage_reaches_a_weak_application(weak: InProcess) -> None:
    """The strategies themselves come upon the member that the weak application trusts."""

    @settings(max_examples=2000, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(body=broken_bytes())
    def search(body: bytes) -> None:
        stands(weak.post(body))

    with pytest.raises((AssertionError, ValueError, ExceptionGroup)):
        search()


def test_control_hz_51_openapi_requests_find_a_weak_application() -> None:
    weak_api = FastAPI()

    @weak_api.post("/divide")
    def divide(by: int) -> JSONResponse:
        return JSONResponse({}, 500 if -1000 < by < 1000 else 200)

    schema: Any = schemathesis.openapi.from_asgi("/openapi.json", weak_api)
    (operation,) = (result.ok() for result in schema.get_all_operations())
    with pytest.raises(FailureGroup, match="Server error"):
        drive(operation, 40)
