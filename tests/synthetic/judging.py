"""One way for tests to put a scenario, or a changed copy of one, before the service: the same knowledge, request id and settings every time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from cds.assess import Knowledge
from cds.call import Answer, answer
from cds.chart import NO_MEMORY
from cds.service.knowledge import call_settings, load_knowledge
from cds.service.settings import Settings

Json = dict[str, Any]

ROOT = Path(__file__).resolve().parents[2] / "synthetic_bundles"
FOLDERS = sorted(path for path in ROOT.iterdir() if path.is_dir() and path.name[:2].isdigit())
REQUEST_ID = "00000000-0000-4000-8000-000000000001"

every_scenario = pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name[:2])


@lru_cache(maxsize=1)
def knowledge() -> Knowledge:
    """The shipped knowledge under the default profiles."""
    return load_knowledge(Settings())


def request_of(folder: Path) -> Json:
    """A fresh copy of a scenario's request, free to be changed."""
    loaded: Json = json.loads((folder / "request.json").read_text(encoding="utf-8"))
    return loaded


def scenario(number: str) -> Json:
    """The request of the scenario with this number ("01")."""
    return request_of(next(path for path in FOLDERS if path.name.startswith(number)))


def expectation_of(folder: Path) -> Json:
    """What a specialist expects, written by hand."""
    loaded: Json = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    return loaded


def judge(request: Json | bytes, *, site_zone: str | None = None, request_id: str = REQUEST_ID) -> Answer:
    """The whole answer, without memory of earlier calls."""
    body = request if isinstance(request, bytes) else json.dumps(request).encode()
    hook = json.loads(body)["hook"]
    settings = call_settings(Settings(site_zone=site_zone), hook, knowledge().parameters)
    return answer(body, now=0, request_id=request_id, memory=NO_MEMORY, knowledge=knowledge(), settings=settings)


def body_of(made: Answer) -> Json:
    """The answer's body, read."""
    loaded: Json = json.loads(made.body)
    return loaded


@dataclass(frozen=True)
class Said:
    """What an answer says, without its words: every code with its indicator, and the cards above info in their order."""

    codes: tuple[tuple[str, str], ...]
    cards: tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...]


def said(made: Answer) -> Said:
    """The advisories of an answer, card by card. A refused request says nothing, and fails here."""
    assert made.status == 200, made.body
    cards = []
    for card in body_of(made)["cards"]:
        entries = tuple(sorted((entry["code"], entry["role"]) for entry in card["extension"]["example.trivet.advisories"]))
        if card["indicator"] != "info":
            cards.append((card["source"]["topic"]["code"], card["indicator"], entries))
    return Said(tuple(sorted(made.codes.items())), tuple(cards))


def rules_of(made: Answer) -> dict[str, Json]:
    """Every rule's result by its code, from the record."""
    return {row["code"]: row for row in json.loads(made.rules)["rules"]}


def not_judged(made: Answer) -> list[Json]:
    """What the answer itself says could not be judged."""
    key = "example.trivet.not-judged"
    return [item for card in body_of(made)["cards"] for item in card["extension"].get(key, [])]


def lists_of(request: Json) -> Iterator[tuple[str, Json]]:
    """Each prefetch key that holds a Bundle with entries, with that Bundle."""
    for key, sent in request["prefetch"].items():
        if sent is not None and sent.get("resourceType") == "Bundle" and sent.get("entry"):
            yield key, sent


def resources_of(request: Json) -> Iterator[Json]:
    """Every resource of the chart and of the drafts."""
    for sent in request["prefetch"].values():
        if sent is None:
            continue
        if sent.get("resourceType") == "Bundle":
            yield from (entry["resource"] for entry in sent.get("entry", []))
        else:
            yield sent
    yield from (entry["resource"] for entry in drafts_of(request))


def drafts_of(request: Json) -> list[Json]:
    """The entries of draftOrders."""
    entries: list[Json] = request["context"].get("draftOrders", {}).get("entry", [])
    return entries
