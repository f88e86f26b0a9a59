"""`trivet advise`: requests and Bundles, printed for a person or as JSON."""

from __future__ import annotations

import io
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest
from rich.console import Console

from cds.cli.advise import request_from
from cds.cli.cards import print_answer
from tests.cli.command import Trivet
from tests.service.inside import BUNDLES, LEAD, codes, inside, scenario

FILE = BUNDLES / LEAD / "request.json"
EXACT = msgspec.json.Decoder(float_hook=Decimal)


def bundle_of(request: dict[str, Any]) -> dict[str, Any]:
    """A scenario's chart and drafts as one Bundle."""
    drafts = [{"resource": entry["resource"]} for entry in request["context"]["draftOrders"]["entry"]]
    lists = [value for value in request["prefetch"].values() if value]
    chart = [{"resource": value} for value in lists if value["resourceType"] != "Bundle"]
    chart += [{"resource": entry["resource"]} for value in lists if value["resourceType"] == "Bundle" for entry in value.get("entry", ())]
    return {"resourceType": "Bundle", "type": "collection", "entry": [*chart, *drafts]}


def test_a_request_is_printed_for_a_person(trivet: Trivet, tmp_path: Path) -> None:
    said = trivet("advise", FILE)
    assert said.code == 0
    for text in (
        "Judged as of 2026-03-14 08:20:00 UTC", "critical  Potassium 3.1 mmol/L: give potassium before the insulin infusion starts", "Sources",
        "Suggested:", "take out: MedicationRequest/s01-order-insulin-1", "insulin-with-low-potassium (critical, lead)",
    ):  # fmt: skip
        assert text in said.out, text
    assert "\x1b" not in said.out
    assert not (tmp_path / "data").exists()


def test_silence_is_said_with_what_was_read_of_each_draft(trivet: Trivet) -> None:
    said = trivet("advise", next(BUNDLES.glob("03-*")) / "request.json")
    assert said.code == 0
    assert "Nothing to say: read and judged" in said.out
    assert "MedicationRequest/s03-order-" in said.out
    assert "amount: read (" in said.out


def test_json_is_what_the_service_answers(trivet: Trivet, tmp_path: Path) -> None:
    said = trivet("advise", "--json", FILE)
    with inside(tmp_path / "service") as running:
        served = running.call(FILE.read_bytes()).json()
    printed = json.loads(said.out)
    for answer in (served, printed):
        for card in answer["cards"]:
            for part in (card, *card.get("suggestions", ())):
                part.pop("uuid")
    assert printed == served


def test_a_bundle_gives_the_same_advisories(trivet: Trivet, tmp_path: Path) -> None:
    request = EXACT.decode(FILE.read_bytes())
    file = tmp_path / "bundle.json"
    file.write_bytes(msgspec.json.Encoder(decimal_format="number").encode(bundle_of(request)))
    said = trivet("advise", "--json", "--at", "2026-03-14T08:20:00Z", file)
    assert said.code == 0
    found = {e["code"] for c in json.loads(said.out)["cards"] for e in c["extension"]["example.trivet.advisories"]}
    with inside(tmp_path / "service") as running:
        assert found >= codes(running.call(scenario()))


def test_standard_input(trivet: Trivet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(FILE.read_bytes())))
    assert "Potassium 3.1 mmol/L" in trivet("advise", "-").out


def test_at_replaces_the_time_of_the_request(trivet: Trivet) -> None:
    said = trivet("advise", "--at", "2026-03-15T20:20:00+02:00", FILE)
    assert "Judged as of 2026-03-15 18:20:00 UTC" in said.out
    assert "Potassium 3.1 mmol/L: give potassium before the insulin infusion starts" not in said.out


def test_numbers_keep_their_digits_when_the_time_is_replaced() -> None:
    body, hook = request_from(b'{"hook": "order-sign", "prefetch": {"x": 3.10, "y": 1e2}}', "2026-03-14T08:20:00Z")
    assert hook == "order-sign"
    assert b'"x":3.10' in body
    assert json.loads(body)["extension"] == {"example.trivet.evaluate-at": "2026-03-14T08:20:00Z"}


@pytest.mark.parametrize("at", ["tomorrow", "2026-03-14", "2026-03-14T08:20:00"])
def test_a_time_that_is_no_instant_is_refused(trivet: Trivet, at: str) -> None:
    said = trivet("advise", "--at", at, FILE)
    assert (said.code, said.out) == (2, "")
    assert "example.trivet.evaluate-at" in said.err


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"{", "not JSON"),
        (b"[]", "neither a Bundle nor a CDS Hooks request"),
        (b'{"hook": "order-dispatch"}', "neither a Bundle nor a CDS Hooks request"),
        (b'{"resourceType": "Bundle", "entry": []}', "exactly one Patient"),
        (b'{"hook": "order-sign"}', "Refused at context"),
    ],
)
def test_what_cannot_be_judged_is_refused_with_its_reason(trivet: Trivet, tmp_path: Path, content: bytes, told: str) -> None:
    file = tmp_path / "file.json"
    file.write_bytes(content)
    said = trivet("advise", file)
    assert said.code == 2
    assert told in said.err
    assert "Traceback" not in said.err


def test_a_file_that_is_not_there(trivet: Trivet, tmp_path: Path) -> None:
    said = trivet("advise", tmp_path / "none.json")
    assert (said.code, "No such file" in said.err) == (2, True)


def test_help_says_that_nothing_is_recorded(trivet: Trivet) -> None:
    assert "Nothing is recorded" in trivet("advise", "--help").out


def test_colour_where_the_terminal_has_it() -> None:
    card = {"summary": "S", "indicator": "critical", "detail": "**D**", "extension": {}}
    printed = io.StringIO()
    print_answer(Console(file=printed, force_terminal=True, color_system="standard", width=80), {"cards": [card]})
    assert "\x1b[" in printed.getvalue()


def test_hz_40_text_of_a_chart_is_never_taken_for_console_markup() -> None:
    printed = io.StringIO()
    card = {"summary": "[red]x[/red]", "indicator": "info", "suggestions": [{"label": "[bold]y[/bold]", "actions": []}], "extension": {}}
    print_answer(Console(file=printed, width=80), {"cards": [card]})
    assert "[red]x[/red]" in printed.getvalue()
    assert "[bold]y[/bold]" in printed.getvalue()
